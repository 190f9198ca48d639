"""The benchmarks in their small mode: that they run and measure what they say. Never a time: the machine is shared."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import pytest

from benchmarks.__main__ import BENCHMARKS
from benchmarks.devices import BLOCK_BYTES, RECORD, Rotation, append_until_full, new_store
from benchmarks.measure import Figure, ratio, seconds_in_turn
from simfs import Store

ROOT = Path(__file__).resolve().parent.parent


GOALS = {
    "append": [1.2, 4],
    "scale": [1.15, 1.3, 1.3],
    "mount": [20, None],
    "memory": [24, None],
    "startup": [60, 150],
    "campaign": [1.0, 0.4],
}


@pytest.mark.parametrize("name", BENCHMARKS)
def test_each_benchmark_gives_its_figures(name: str) -> None:
    benchmark = BENCHMARKS[name]
    figures = list(benchmark.run(small=True))
    assert [figure.name for figure in figures] == list(benchmark.NAMES)
    assert [figure.goal for figure in figures] == GOALS[name]
    for figure in figures:
        assert math.isfinite(figure.value), figure
        assert figure.value > 0, figure


def test_command_runs_one_benchmark_and_names_the_unknown() -> None:
    command = [sys.executable, "-m", "benchmarks", "memory", "--small"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    assert [line.split("  ")[0] for line in done.stdout.splitlines()] == list(BENCHMARKS["memory"].NAMES)
    done = subprocess.run([*command[:3], "speed"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "no benchmark 'speed'; there are append, scale, mount, memory, startup, campaign" in done.stderr


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
