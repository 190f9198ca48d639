"""`simfs fleet`: what it prints, its JSON, its exit codes, and what it refuses."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.show import WHOSE
from simfs.study.fleet.limit_laws import passed
from tests.support.places import ROOT

SCENARIO = """\
title = "A small device"
[chip]
size = "64 KiB"
rated_cycles = 10000
[run]
duration = "60 d"
[[task]]
name = "gauge"
every = "6 min"
operations = [{ do = "append", file = "/{date}.csv", size = "40 B", keep = 2 }]
[expect]
life_min = "20 years"
refused_max = 0
"""
WEIBULL = ("--scale-cycles", "30000", "--shape", "3")


@pytest.fixture(scope="module")
def scenario(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("fleet") / "small.toml"
    path.write_text(SCENARIO)
    return path


def invoke(*words: object) -> Result:
    return CliRunner().invoke(commands, ["fleet", *map(str, words)])


def test_the_report_has_formula_simulation_and_estimate(scenario: Path) -> None:
    done = invoke(scenario, *WEIBULL, "--devices", "300")
    assert done.exit_code == 0
    text = done.stdout
    assert WHOSE in text
    assert "limits: Weibull, scale 30,000 cycles, shape 3" in text
    rows = [line.split("  ")[0] for line in text.splitlines()]
    assert [row for row in rows if row.startswith(("first", "store"))] == ["first block, formula", "store, estimate"]
    assert "300 simulated" in text
    assert "The simulated devices agree with the formula" in text
    assert "expected life_min 20 years: met" in text
    assert "A model is no qualification." in text.replace("\n", " ")
    assert max(map(len, text.splitlines())) <= 100


def test_json_has_the_same_figures(scenario: Path) -> None:
    done = invoke(scenario, *WEIBULL, "--devices", "300", "--json", "--kept-at", "25")
    found = json.loads(done.stdout)
    assert found["law"] == {"scale_cycles": 30000, "shape": 3}
    assert [one["share"] for one in found["first_block"]] == [0.01, 0.1, 0.5]
    times = [one["formula_ns"] for one in found["first_block"]]
    assert times == sorted(times)
    assert found["check"]["agrees"] is True
    assert found["check"]["devices"] == 300
    assert found["met"] is True
    assert found["wear"]["block_count"] == 16
    assert [one["cycles"] for one in found["kept"]] == [1000, 10000]
    assert found["kept"][1]["years"] == pytest.approx(50.105, abs=1e-3)
    assert found["store_sample"] is None


def test_an_expectation_that_is_not_met_is_status_1(scenario: Path) -> None:
    done = invoke(scenario, "--scale-cycles", "3000", "--shape", "3", "--devices", "10")
    assert done.exit_code == 1
    assert "expected life_min 20 years: ! NOT MET, 1 % have lost their first block by " in done.stdout


def test_limits_from_parts_that_passed(scenario: Path) -> None:
    found = json.loads(invoke(scenario, "--passed-parts", "77", "--shape", "2", "--devices", "2", "--json").stdout)
    assert found["law"]["scale_cycles"] == pytest.approx(passed(77, 16, 10_000, 0.6, 2).scale_cycles)
    words = ("--passed-parts", "77", "--shape", "2", "--passed-blocks", "512", "--passed-cycles", "100000")
    found = json.loads(invoke(scenario, *words, "--confidence", "0.9", "--devices", "2", "--json").stdout)
    assert found["law"]["scale_cycles"] == pytest.approx(passed(77, 512, 100_000, 0.9, 2).scale_cycles)


def test_lognormal_limits(scenario: Path) -> None:
    done = invoke(scenario, "--median-cycles", "30000", "--sigma", "0.3", "--devices", "100")
    assert done.exit_code == 0
    assert "limits: lognormal, median 30,000 cycles, sigma 0.3" in done.stdout.replace("\n", " ")
    assert "agree with the formula" in done.stdout


def test_the_pace_of_a_longer_run_and_the_way_itself_agree(scenario: Path) -> None:
    words = ("--scale-cycles", "120", "--shape", "3", "--devices", "100", "--json")
    short, longer, exact = (
        json.loads(invoke(scenario, *words, *more).stdout) for more in ((), ("--carry-on", "40"), ("--exact",))
    )
    assert [one["wear"]["source"] for one in (short, longer, exact)] == [
        "the run as it is",
        "until the first block's 40th erase",
        "until each device has lost a block",
    ]
    assert longer["wear"]["erases_max"] == 40
    for found in (short, longer):
        for one, other in zip(found["first_block"], exact["first_block"], strict=True):
            assert one["formula_ns"] == pytest.approx(other["formula_ns"], rel=0.1)
    assert exact["check"]["devices"] == 100
    assert exact["check"]["agrees"] is True
    assert exact["first_block"][2]["simulated"] != longer["first_block"][2]["simulated"]


def test_stores_are_run_to_their_loss(scenario: Path) -> None:
    words = ("--stores", "2", "--hurried-cycles", "10", "--workers", "1", "--devices", "2")
    done = invoke(scenario, *WEIBULL, *words)
    assert done.exit_code == 0, done.stderr
    lines = done.stdout.splitlines()
    at = next(number for number, line in enumerate(lines) if line.startswith("store, estimate"))
    assert lines[at + 1].startswith("  2 run")
    assert "lost their store after" in done.stdout
    found = json.loads(invoke(scenario, *WEIBULL, *words, "--json").stdout)["store_sample"]
    assert len(found["losses"]) == 2
    assert found["hurry"] == pytest.approx(2655, abs=1)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "the limits of the blocks: not given; give --scale-cycles and --shape"),
        ((*WEIBULL, "--median-cycles", "5"), "the limits of the blocks: given twice; give"),
        (("--scale-cycles", "5"), "--shape: it is missing; give"),
        (("--median-cycles", "5"), "--sigma: it is missing; give"),
        ((*WEIBULL, "--sigma", "1"), "--sigma: it does not go with --scale-cycles; leave it out"),
        ((*WEIBULL, "--confidence", "0.5"), "--confidence: it does not go with --scale-cycles; leave it out"),
        (("--scale-cycles", "5", "--shape", "0"), "the limits of the blocks: shape must be from 0.1 to 100, not 0.0"),
        (("--passed-parts", "0", "--shape", "2"), "--passed-parts: it must be at least 1, not 0"),
        ((*WEIBULL, "--activation", "1"), "--activation: it is for --kept-at; give both"),
        ((*WEIBULL, "--exact", "--carry-on", "20"), "--carry-on: it does not go with --exact"),
        ((*WEIBULL, "--kept-at", "-400"), "--kept-at: temperatures must be from -223 to 726"),
        ((*WEIBULL, "--kept-at", "nan"), "--kept-at: temperatures must be from -223 to 726"),
        ((*WEIBULL, "--part", "W25Q32JV"), "--part: it is for recordings"),
    ],
)
def test_bad_options_are_one_line_and_status_2(scenario: Path, words: tuple[str, ...], said: str) -> None:
    done = invoke(scenario, *words)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert said in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_recording_is_carried_on_at_the_pace_that_the_device_takes() -> None:
    recording = ROOT / "tests" / "recordings" / "shell_tools" / "recording.txt"
    carried = ("--takes", "1d", "--for", "60d", "--size", "64KiB")
    done = invoke(recording, *WEIBULL, "--devices", "10", *carried)
    assert "erases of a block in 60 days (the run as it is)" in done.stdout
    assert "A recording that goes on for longer (--for) finds a better pace." in " ".join(done.stdout.split())


def test_what_never_erases_or_ends_is_refused(tmp_path: Path) -> None:
    short = tmp_path / "short.toml"
    short.write_text(SCENARIO.replace("60 d", "1 h"))
    done = invoke(short, *WEIBULL)
    assert done.exit_code == 2
    assert f"{short}: no block is erased in this run, so nothing wears; run it longer" in done.stderr
    done = invoke("scenarios/uplink.py", *WEIBULL, "--stores", "2")
    assert done.exit_code == 2
    assert "only a scenario goes on" in done.stderr
    small = tmp_path / "small.toml"
    small.write_text(SCENARIO.replace("keep = 2", "keep = 60"))
    done = invoke(small, *WEIBULL, "--stores", "1", "--hurried-cycles", "10")
    assert done.exit_code == 2
    assert "while all its blocks are sound; give it room" in done.stderr
