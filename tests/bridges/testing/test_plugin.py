"""The pytest plugin, from outside: small test suites of their own, run by pytest as a user runs them."""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import entry_points

import pytest

import simfs.bridges.testing.cuts
import simfs.bridges.testing.scenarios
import simfs.replay.play  # noqa: F401  what is imported inside a run of pytester's is forgotten after it
from tests.support.places import ROOT

pytest_plugins = ["pytester"]

ALONE = ("-p", "no:cacheprovider", "-p", "no:hypothesispytest")  # pytester would import all of hypothesis anew
LIMITS = """
    import pytest

    def test_limits_are_kept(simfs_bench, simfs_store):
        with simfs_store.open("/log", "a") as log:
            log.write(b"06:00,2.41")
        simfs_bench.expect(erases_max=0, write_stall_max="2 ms", write_amplification_max=20, refused_max=0)

    @pytest.mark.simfs(part="W25Q32JV", size="32 KiB", log_heads=2)
    def test_limits_are_not_kept(simfs_bench, simfs_store, simfs_chip):
        assert (simfs_chip.datasheet.name, simfs_chip.geometry.block_count) == ("W25Q32JV", 8)
        assert simfs_store.config.log_heads == 2
        for _ in range(200):
            with simfs_store.open("/log", "w") as log:
                log.write(bytes(200))
        simfs_bench.expect(erases_max=1, write_stall_max="1 ms", write_amplification_max=1.1)
"""
CUTS = """
    import pytest

    def prepare(store):
        with store.open("/settings", "w") as file:
            file.write(b"volume=3")

    def in_place(store):
        with store.open("/settings", "w") as file:
            file.write(b"volume=5")

    def anew(store):
        with store.open("/new", "w") as file:
            file.write(b"volume=5")
        store.rename("/new", "/settings")

    def check(found):
        with found.store.open("/settings") as file:
            assert file.readall() in (b"volume=3", b"volume=5")

    @pytest.mark.simfs_cuts(work=anew, before=prepare)
    def test_anew(simfs_after_cut):
        check(simfs_after_cut)
        assert simfs_after_cut.acknowledged["/settings"] == b"volume=3"
        if "rename /new to /settings" in simfs_after_cut.during:
            done = simfs_after_cut.cut.endswith(":all")
            assert simfs_after_cut.store.exists("/new") != done

    @pytest.mark.simfs_cuts(work=in_place, before=prepare, sample=12)
    def test_in_place(simfs_after_cut):
        check(simfs_after_cut)
"""


def counts(result: pytest.RunResult) -> tuple[int, int, int]:
    outcomes = result.parseoutcomes()
    return outcomes.get("passed", 0), outcomes.get("failed", 0), outcomes.get("errors", 0)


def test_pytest_loads_it_wherever_simfs_is_installed() -> None:
    found = {entry.name: entry.value for entry in entry_points(group="pytest11")}
    assert found.get("simfs") == "simfs.bridges.testing.plugin", "install simfs anew: pip install -e ."


def test_it_costs_nothing_until_it_is_used() -> None:
    code = (
        "import pytest, sys; before = set(sys.modules); import simfs.bridges.testing.plugin; "
        "print(*sys.modules.keys() - before)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    packages = {"simfs", "simfs.bridges", "simfs.bridges.testing"}
    modules = {"simfs.shown", "simfs.bridges.testing.plugin", "simfs.bridges.testing.options"}
    assert set(done.stdout.split()) == packages | modules


def test_limits_are_assertions_that_show_the_report(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(LIMITS)
    result = pytester.runpytest_inprocess(*ALONE)
    assert counts(result) == (1, 1, 0)
    result.stdout.fnmatch_lines_random(
        [
            "*erases_max is not met",
            "*AssertionError: write_stall_max is not met",
            "*write_amplification_max is not met*",
            "*flash W25Q32JV: 8 blocks of 4 KiB, 32 KiB; store: greedy cleaner, 2 log heads*",
            "*! NOT MET*erases_max*at most 1*",
        ]
    )


def test_options_tell_chip_and_seed_of_tests_that_do_not(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        """
        import pytest

        def test_by_option(simfs_chip, simfs_store, simfs_seed):
            assert (simfs_chip.datasheet.name, simfs_chip.geometry.block_count) == ("W25Q32JV", 128)
            assert simfs_seed == simfs_chip.seed == simfs_store.config.seed == 7
            assert simfs_store.names() == [] and simfs_chip.programs > 0

        @pytest.mark.simfs(seed=0, size="64 KiB")
        def test_by_marker(simfs_chip, simfs_seed):
            assert (simfs_chip.datasheet.name, simfs_chip.geometry.block_count) == ("W25Q32JV", 16)
            assert simfs_seed == 0
            assert simfs_chip.image() == b"\\xff" * 65536
        """
    )
    words = ("--simfs-part", "W25Q32JV", "--simfs-size", "512 KiB", "--simfs-seed", "7")
    assert counts(pytester.runpytest_inprocess(*ALONE, *words)) == (2, 0, 0)


def faulty_suite(pytester: pytest.Pytester, markers: list[str], fixture: str) -> pytest.RunResult:
    """One test file for each marker."""
    head = "import pytest\ndef nothing(store): pass\ndef change(store): store.open('/a', 'w').close()\n"
    for number, marker in enumerate(markers):
        pytester.makepyfile(**{f"test_{number}": f"{head}{marker}\ndef test_it({fixture}): pass"})
    result = pytester.runpytest_inprocess(*ALONE)
    for trouble in ("*Traceback*", "*During handling*"):
        result.stdout.no_fnmatch_line(trouble)
    return result


def test_what_makes_no_sense_is_one_line(pytester: pytest.Pytester) -> None:
    said = {
        'part="W25Q32"': "simfs: no part is named 'W25Q32'; known are *",
        'size="5 KiB"': "simfs: size '5 KiB' is not a multiple of the erase block of generic, 4096 bytes",
        'size="8 KiB", reserve_blocks=9': "simfs: 2 erase blocks are too few; *",
        'cleaner="newest"': "simfs: cleaner is 'newest'; it must be one of *",
        "heads=2": "simfs: *unexpected keyword argument 'heads'",
    }
    result = faulty_suite(pytester, [f"@pytest.mark.simfs({marker})" for marker in said], "simfs_store")
    assert counts(result) == (0, 0, len(said))
    result.stdout.fnmatch_lines_random(list(said.values()))


def test_a_boot_and_time_that_passes(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        """
        import pytest

        def test_it(simfs_bench, simfs_store):
            lost = simfs_store.open("/lost", "w")
            lost.write(b"waits in the buffer")
            with simfs_store.open("/kept", "w") as kept:
                kept.write(b"is durable")
            after = simfs_bench.boot()
            assert after is simfs_bench.store
            lost.close()
            assert {name: after.stat(name).size_bytes for name in after.names()} == {"/kept": 10, "/lost": 0}
            simfs_bench.wait("10 min")
            with pytest.raises(FileNotFoundError):
                after.remove("/nothing")
            with pytest.raises(AssertionError, match="refused_max is not met"):
                simfs_bench.expect(refused_max=0, mount_max="1 s")
            simfs_bench.expect(refused_max=1, unmet=["sound"], sound=False)
            with pytest.raises(ValueError, match="write_stall"):
                simfs_bench.expect(write_stall="1 s")
        """
    )
    assert counts(pytester.runpytest_inprocess(*ALONE)) == (1, 0, 0)


@pytest.fixture
def cuts(pytester: pytest.Pytester) -> pytest.Pytester:
    pytester.makepyfile(CUTS)
    return pytester


def test_a_body_runs_for_each_power_cut(cuts: pytest.Pytester) -> None:
    result = cuts.runpytest_inprocess(*ALONE, "-k", "anew")
    passed, failed, errors = counts(result)
    assert (failed, errors) == (0, 0)
    assert passed > 8
    assert passed % 4 == 0  # four states of each program


def test_a_reported_cut_can_be_repeated_alone(cuts: pytest.Pytester) -> None:
    result = cuts.runpytest_inprocess(*ALONE, "-rf", "-k", "in_place")
    passed, failed, errors = counts(result)
    assert errors == 0
    assert passed > 0
    assert failed > 0  # what is opened with "w" is found empty
    result.stdout.fnmatch_lines(["*power cut*", "cut *, during file call *: * /settings*"])
    failure = next(line.split()[1] for line in result.outlines if line.startswith("FAILED"))
    assert counts(cuts.runpytest_inprocess(*ALONE, failure)) == (0, 1, 0)


def test_a_store_that_is_damaged_or_broke_a_promise_fails_the_test(pytester: pytest.Pytester) -> None:
    pytester.makeconftest(
        """
        import pytest
        from simfs.study.cuts.judging.judge import Judge

        @pytest.fixture
        def planted(monkeypatch):
            "As if the store were not to mount."
            judged = Judge.verdict
            def verdict(judge, chip, allowed, cut):
                chip.cells[:] = bytes(len(chip.cells))
                return judged(judge, chip, allowed, cut)
            monkeypatch.setattr(Judge, "verdict", verdict)
        """
    )
    pytester.makepyfile(
        """
        import pytest

        def work(store):
            for _ in range(3):
                with store.open("/b", "a") as file:
                    file.write(b"second" * 5)

        @pytest.mark.simfs_cuts(work=work, sample=1)
        def test_broken(planted, simfs_after_cut):
            pass

        @pytest.mark.simfs(size="24 KiB")
        @pytest.mark.simfs_cuts(work=work, profile="sector-collateral")
        def test_damaged(simfs_after_cut):
            pass
        """
    )
    result = pytester.runpytest_inprocess(*ALONE)
    result.stdout.fnmatch_lines_random(
        [
            "the store broke a promise after cut *: contents: CorruptStore: *",
            "there is no sound store after cut *, which sector-collateral allows: *",
        ]
    )
    result.stdout.no_fnmatch_line("*Traceback*")


@pytest.mark.slow
def test_processes_share_the_cuts(cuts: pytest.Pytester) -> None:
    pytest.importorskip("xdist", reason="needs pytest-xdist: pip install pytest-xdist")
    alone = counts(cuts.runpytest_inprocess(*ALONE))
    assert counts(cuts.runpytest_inprocess(*ALONE, "-n", "2")) == alone


def test_cuts_that_make_no_sense_are_one_line(pytester: pytest.Pytester) -> None:
    said = {
        "": "simfs_after_cut needs the marker *",
        "@pytest.mark.simfs_cuts()": "simfs_cuts: it needs work, *",
        "@pytest.mark.simfs_cuts(work=nothing)": "simfs_cuts: work changes nothing on the flash; *",
        "@pytest.mark.simfs_cuts(work=nothing, places=3)": "simfs_cuts: it does not know places; *",
        "@pytest.mark.simfs_cuts(work=change, every='word')": "simfs_cuts: every must be one of operation, byte, *",
        "@pytest.mark.simfs_cuts(work=change, sample=0)": "simfs_cuts: give either every, or sample *",
        "@pytest.mark.simfs_cuts(work=change, profile='all')": "simfs_cuts: 'all' is not a valid Profile",
    }
    result = faulty_suite(pytester, list(said), "simfs_after_cut")
    assert counts(result) == (0, 0, len(said))
    result.stdout.fnmatch_lines_random(list(said.values()))


SCENARIO = """
[chip]
size = "64 KiB"
[run]
duration = "1 d"
[[task]]
name = "log"
every = "1 h"
operations = [{ do = "append", file = "/log", text = "reading" }]
[expect]
"""


def test_scenarios_are_tests(pytester: pytest.Pytester) -> None:
    pytester.mkdir("scenarios").joinpath("kept.toml").write_text(SCENARIO + "refused_max = 0\nsound = true")
    here = pytester.path / "scenarios"
    here.joinpath("missed.toml").write_text(SCENARIO + "file_count_min = 2\nsound = true")
    here.joinpath("on_purpose.toml").write_text(SCENARIO + 'file_count_min = 2\nunmet = ["file_count_min"]')
    here.joinpath("met_after_all.toml").write_text(SCENARIO + 'file_count_min = 1\nunmet = ["file_count_min"]')
    here.joinpath("faulty.toml").write_text(SCENARIO + 'sound = true\nunmet = ["file_count_min"]')
    here.joinpath("other.toml").write_text("[tool]\nname = 1")
    here.joinpath("helper.py").write_text("def run(): pass")
    pytester.makefile(".toml", elsewhere=SCENARIO + "refused_max = 0")
    result = pytester.runpytest_inprocess(*ALONE, "-v")
    assert counts(result) == (2, 3, 0)
    result.stdout.fnmatch_lines_random(
        [
            "scenarios/kept.toml::expectations PASSED*",
            "scenarios/on_purpose.toml::expectations PASSED*",
            "*scenario missed.toml*",
            "! NOT MET*file_count_min*",
            "file_count_min is not met",
            "file_count_min is met, and unmet says that it is not",
            '*faulty.toml:10: expect*unmet names "file_count_min", which is not expected here*',
        ]
    )
    result.stdout.no_fnmatch_line("*Traceback*")
    assert counts(pytester.runpytest_inprocess(*ALONE, "elsewhere.toml")) == (1, 0, 0)


def test_a_test_module_is_no_scenario_whatever_it_defines(pytester: pytest.Pytester) -> None:
    path = pytester.makepyfile(test_own="def store(): ...\ndef run(): ...\ndef test_it(): assert True\n")
    pytester.runpytest_inprocess(str(path)).assert_outcomes(passed=1)


def test_the_scenarios_of_the_project_are_collected() -> None:
    words = [sys.executable, "-m", "pytest", "-q", "--collect-only", "-p", "no:cacheprovider", "scenarios"]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    files = {path.name for path in (ROOT / "scenarios").iterdir() if path.suffix in (".toml", ".py")}
    assert {line.split("/")[1] for line in done.stdout.splitlines() if "::" in line} == {
        f"{name}::expectations" for name in files
    }


@pytest.mark.slow
def test_the_scenarios_of_the_project_pass() -> None:
    words = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "scenarios"]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


CARD = """
    import pytest

    ON_CARD = pytest.mark.simfs(kind="card", size="1 MiB", cluster="1 KiB", name_bytes=100)

    @ON_CARD
    def test_limits_are_kept(simfs_bench, simfs_store):
        assert simfs_store.settings["volume"] == "FAT12"
        assert simfs_store.medium.block_bytes == 1024
        with simfs_store.open("/log/2031-04-05.csv", "a") as log:
            log.write(b"06:00,2.41")
        simfs_bench.expect(write_stall_max="100 ms", refused_max=0)
        assert simfs_bench.boot().exists("/LOG/2031-04-05.CSV")

    @ON_CARD
    def test_limits_are_not_kept(simfs_bench, simfs_store):
        for number in range(9):
            with simfs_store.open(f"/{number}", "w") as log:
                log.write(bytes(20_000))
        simfs_bench.expect(write_stall_max="100 ms")

    @ON_CARD
    def test_no_chip(simfs_chip):
        pass

    @pytest.mark.simfs(kind="card", size="700 B")
    def test_no_sectors(simfs_store):
        pass

    @pytest.mark.simfs(kind="card", log_heads=2)
    def test_no_log(simfs_store):
        pass

    @pytest.mark.simfs(kind="card", open_files_max=0)
    def test_no_files(simfs_store):
        pass

    @pytest.mark.simfs(kind="tape")
    def test_no_tape(simfs_store):
        pass
"""
CARD_CUTS = """
    import pytest

    pytestmark = pytest.mark.simfs(kind="card", size="1 MiB")

    def prepare(store):
        with store.open("/settings", "w") as file:
            file.write(b"volume=3")

    def anew(store):
        with store.open("/new", "w") as file:
            file.write(b"volume=5")
        store.rename("/new", "/settings")

    def contents(store):
        with store.open("/settings") as file:
            return file.readall()

    @pytest.mark.simfs_cuts(work=anew, before=prepare)
    def test_anew(simfs_after_cut):
        assert simfs_after_cut.acknowledged["/settings"] == b"volume=3"
        if "torn" in simfs_after_cut.cut:
            return
        assert contents(simfs_after_cut.store) in (b"volume=3", b"volume=5")
        assert {"/settings"} <= set(simfs_after_cut.store.names())
        assert any(state["/settings"] == contents(simfs_after_cut.store) for state in simfs_after_cut.possible)
        with simfs_after_cut.store.open("/log", "a") as log:  # the store works
            log.write(b"x")

    @pytest.mark.simfs_cuts(work=anew, before=prepare)
    def test_torn(simfs_after_cut):
        assert contents(simfs_after_cut.store)

    @pytest.mark.simfs_cuts(work=prepare, sample=2, seed=1)
    def test_sample(simfs_after_cut):
        assert simfs_after_cut.during.startswith("file call")
"""


def test_a_test_may_ask_for_a_card(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(CARD)
    result = pytester.runpytest_inprocess(*ALONE)
    result.assert_outcomes(passed=1, failed=1, errors=5)
    result.stdout.fnmatch_lines(
        [
            "simfs: the test is for a card, which has no chip; take simfs_store, whose `card` it is",
            "simfs: size '700 B' is not whole sectors of 512 bytes",
            "simfs: *log_heads*",
            "simfs: no file could be open with open_files_max = 0; write 1 or more",
            "simfs: there is no kind 'tape'; known are flash, card",
            "E*AssertionError: write_stall_max is not met",
        ]
    )


def test_a_body_runs_for_each_cut_of_a_card(pytester: pytest.Pytester) -> None:
    """5 sector writes make the file: its entry, the data, both copies of the table, the entry. 3 rename it: the sector
    of both entries, both copies. A torn sector of the directory takes every file away."""
    pytester.makepyfile(CARD_CUTS)
    result = pytester.runpytest_inprocess(*ALONE, "-q")
    result.assert_outcomes(passed=31, failed=3)
    result.stdout.fnmatch_lines([f"FAILED *::test_torn[[]{at}:torn]*" for at in (0, 4, 5)])


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ('profile="none"', "profile is for flash; a card writes a sector whole, or it can't be read any more"),
        ('every="bit"', "on a card, give every='operation', or sample with a number of cuts"),
        ("sample=0", "give either every, or sample with a number of cuts"),
    ],
)
def test_cuts_of_a_card_that_make_no_sense_are_one_line(pytester: pytest.Pytester, given: str, says: str) -> None:
    pytester.makepyfile(CARD_CUTS.replace("sample=2, seed=1", given))
    result = pytester.runpytest_inprocess(*ALONE)
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines([f"simfs_cuts: {says}"])
