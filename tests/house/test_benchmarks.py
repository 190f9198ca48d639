"""The benchmarks in their small mode: that they run and measure what they say. Never a time: the machine is shared."""

from __future__ import annotations

import math
import platform
import re
import subprocess
import sys

import pytest

from benchmarks.__main__ import BENCHMARKS, main
from benchmarks.devices import BLOCK_BYTES, RECORD, Rotation, append_until_full, new_store
from benchmarks.full import Rewriter, Work, _many_files, _one_file, _update, _write_anew
from benchmarks.measure import Figure, ratio, seconds_in_turn
from benchmarks.results import RESULTS, results_text
from simfs import Store
from tests.support.mounts import NEEDS_MOUNTS
from tests.support.places import ROOT

GOALS = {
    "append": [0.85, 3],
    "scale": [1.15, 1.3, 1.3],
    "mount": [5, 12],
    "memory": [24, None],
    "startup": [60, 150],
    "campaign": [1.0, 0.4],
    "full": [1.15, 1.15],
    "fleet": [3],
    "decade": [0.04, 10, 3, 60, 3.5, 8],
    "mounted": [1.5, 1.5, 1.5, 1.5],
    "recordings": [10, 10],
    "observers": [1.25] * 4,
}
NEEDS = {"mounted": NEEDS_MOUNTS}


def test_every_benchmark_has_its_goals_here() -> None:
    assert set(BENCHMARKS) == set(GOALS)


@pytest.mark.parametrize("name", [pytest.param(name, marks=NEEDS.get(name, ())) for name in BENCHMARKS])
def test_each_benchmark_gives_its_figures(name: str) -> None:
    benchmark = BENCHMARKS[name]
    figures = list(benchmark.run(small=True))
    assert [figure.name for figure in figures] == list(benchmark.NAMES)
    assert [figure.goal for figure in figures] == GOALS[name]
    for figure in figures:
        assert math.isfinite(figure.value), figure
        assert figure.value > 0, figure


def test_command_runs_one_benchmark_and_names_the_unknown(capsys: pytest.CaptureFixture[str]) -> None:
    command = [sys.executable, "-m", "benchmarks", "memory", "--small"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    assert [line.split("  ")[0] for line in done.stdout.splitlines()] == list(BENCHMARKS["memory"].NAMES)
    with pytest.raises(SystemExit) as ended:
        main(["speed"])
    assert ended.value.code == 2
    assert f"no benchmark 'speed'; there are {', '.join(BENCHMARKS)}" in capsys.readouterr().err


def test_results_are_of_all_benchmarks_in_full() -> None:
    for words in (["memory"], ["--small"]):
        with pytest.raises(SystemExit):
            main(["--results", *words])


def test_results_file_has_every_figure_and_the_machine_but_not_its_owner() -> None:
    figures = [
        ("append", Figure("a", 1.5, "x", 2.0, "of 3")),
        ("mount", Figure("b", 9.0, "ms", 5)),
        ("c", Figure("d", 1, "x", None)),
    ]
    text = results_text(figures, 0.5, 12.25)
    rows = [line.strip("|").split("|") for line in text.splitlines() if line.startswith("|")]
    lines = [[cell.strip() for cell in row] for row in rows]
    assert ["append", "a", "1.50 x", "at most 2", "reached", "of 3"] in lines
    assert ["mount", "b", "9.00 ms", "at most 5", "MISSED", ""] in lines
    assert ["c", "d", "1.00 x", "-", "no goal", ""] in lines
    assert "1 goals reached, 1 missed, 1 figures without a goal." in text
    machine = dict(line for line in lines if len(line) == 2)
    assert machine["load"] == "0.5 when it began, 12.2 at the end; quiet is below 1"
    assert machine["Python"].startswith(f"{platform.python_implementation()} {platform.python_version()}")
    assert re.fullmatch(r"20\d\d-\d\d-\d\d", machine["date"])
    assert re.fullmatch(r"([0-9a-f]{12}|unknown)(, with changes)?", machine["commit"])
    assert re.fullmatch(r"[\d]+ GiB", machine["memory"])
    assert platform.node() not in text
    assert str(ROOT) not in text


def test_kept_results_are_of_benchmarks_that_there_are() -> None:
    """Those of a new one come with the next `python -m benchmarks --results`."""
    kept = re.findall(r"^\| ([a-z]\w*) +\| (.*?) +\|.*\|.*\|.*\|", RESULTS.read_text(), re.MULTILINE)
    figures = {(name, figure) for name, figure in kept if name in BENCHMARKS}
    assert len(figures) > 10
    assert figures <= {(name, figure) for name, benchmark in BENCHMARKS.items() for figure in benchmark.NAMES}


def test_rewriting_keeps_its_use_and_erases() -> None:
    for use in (0.3, 0.9):
        for work in (Work(_many_files, _write_anew), Work(_one_file, _update)):
            rewriter = Rewriter(new_store(32 * BLOCK_BYTES), use, work)
            erases = rewriter.store.meters.erases
            rewriter.steps(300)
            assert rewriter.store.meters.erases > erases >= 2 * 32
            assert 100 * use - 6 < rewriter.use_percent < 100 * use + 2
            assert rewriter.programmed_bytes[0] > 300 * len(RECORD)
            assert rewriter.store.check() == []


def test_actions_take_turns_and_swap_who_goes_first() -> None:
    order: list[str] = []
    ticks = iter(range(100))
    taken = seconds_in_turn(3, lambda: order.append("a"), lambda: order.append("b"), clock=lambda: float(next(ticks)))
    assert "".join(order) == "abbaab"
    assert taken == [[1.0] * 3, [1.0] * 3]


def test_ratio_is_of_medians_and_judged_by_its_goal() -> None:
    figure = ratio("a", 2.0, [3.0, 9.0, 4.0], [2.0, 1.0, 2.0])
    assert (figure.value, figure.verdict) == (2.0, "reached")
    assert "of the minima 3.00" in figure.detail
    assert Figure("a", 2.01, "x", 2.0).verdict == "MISSED"
    assert Figure("a", 2.01, "x", None).verdict == "no goal"


def test_rotation_is_a_steady_state() -> None:
    """Files go, blocks are erased, all that the store holds is sound, and each append was a frame of its own."""
    rotation = Rotation(new_store(64 * BLOCK_BYTES), appends_a_file=100)
    store = rotation.store
    erases, files, bytes_before = store.meters.erases, len(store.names()), store.meters.payload_bytes_programmed
    for _ in range(20):
        rotation.one_file()
    assert store.meters.erases - erases > 20
    assert len(store.names()) == files > 5
    assert store.meters.payload_bytes_programmed - bytes_before == 20 * 100 * len(RECORD)
    assert store.check() == []


def test_full_store_is_full_of_records_as_they_were_appended() -> None:
    store = new_store(64 * BLOCK_BYTES)
    records = append_until_full(store, ["/a", "/b"])
    assert store.meters.relocated_bytes < BLOCK_BYTES
    assert store.flash.programs > records
    assert store.usage().blank_bytes < 4 * BLOCK_BYTES
    again = Store.mount(store.flash, read_only=True)
    with again.open("/a") as file:
        assert file.read() == RECORD * (records // 2)
