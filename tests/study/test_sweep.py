"""A scenario with its settings varied: every combination once, figures as those of the run alone, refusals as lines."""

from __future__ import annotations

from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from simfs.replay.play import replay
from simfs.replay.scenario.load import load_scenario
from simfs.study.pools import Here
from simfs.study.run.measure import figures
from simfs.study.sweep import ORDERS, VARIANTS_MAX, BadVariation, Summary, Sweep, Variant, Variation, sweep

SCENARIO = """\
title = "A small device"
[chip]
size = "128 KiB"
[store]
size = "{size}"
packing = "{packing}"
[run]
duration = "5 d"
[[task]]
name = "gauge"
every = "6 min"
operations = [{{ do = "append", file = "/log/{{date}}", size = "30 B", keep = 2 }}]
[[task]]
name = "start"
at_boot = true
operations = [{{ do = "write", file = "/start", size = "17 KiB" }}, {{ do = "remove", file = "/start" }}]
[expect]
refused_max = 0
"""
SIZES, PACKINGS = ("32 KiB", "64 KiB", "128 KiB"), ("byte", "page")
VARIED = ("store.size=32 KiB,64 KiB,128 KiB", "store.packing=byte,page")


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(SCENARIO.format(size="64 KiB", packing="byte"))
    return path


def swept(scenario: Path, *varied: str, **how: Any) -> Sweep:
    return sweep(scenario, map(Variation.parse, varied), **{"executor": Here()} | how)


def faults(scenario: Path, *varied: str) -> list[str]:
    with pytest.raises(BadVariation) as caught:
        swept(scenario, *varied)
    return caught.value.faults


def test_each_variant_is_the_run_of_the_scenario_that_says_so_itself(scenario: Path, tmp_path: Path) -> None:
    found = swept(scenario, *VARIED)
    combinations = [(size, packing) for size in SIZES for packing in PACKINGS]
    assert [tuple(variant.settings.values()) for variant in found.variants] == combinations
    for variant, (size, packing) in zip(found.variants, combinations, strict=True):
        alone = tmp_path / "alone.toml"
        alone.write_text(SCENARIO.format(size=size, packing=packing))
        assert variant.summary == Summary.of(figures(replay(alone))), variant.settings
    assert len({variant.summary for variant in found.variants}) == len(combinations)


def test_summary_holds_the_figures_of_the_run(scenario: Path) -> None:
    taken = figures(replay(scenario))
    (variant,) = swept(scenario, "store.packing=byte").variants
    summary = variant.summary
    assert summary is not None
    assert summary.erases == sum(taken.wear.erases_in_run) > 0
    assert summary.write_amplification == taken.amplification.programmed_bytes / taken.amplification.host_bytes
    assert summary.free_bytes_min == taken.room.capacity_bytes - taken.room.live_max_bytes > 0
    assert summary.free_bytes_min < taken.room.capacity_bytes - taken.room.live_bytes
    longest = taken.stalls.longest_at_max
    assert longest is not None
    assert summary.longest_write_at_max_ns == longest.busy_max_ns > summary.longest_write_ns
    assert summary.ram_bytes == sum(taken.ram_bytes.values())


@pytest.mark.parametrize("executor", [ThreadPoolExecutor, ProcessPoolExecutor, None])
def test_any_executor_gives_the_same_in_order(executor: type[ThreadPoolExecutor] | None, scenario: Path) -> None:
    alone, told = swept(scenario, *VARIED), []

    def progress(done: int, whole: int) -> None:
        told.append((done, whole))

    if executor is None:
        assert swept(scenario, *VARIED, executor=None, progress=progress) == alone
    else:
        with executor(2) as workers:
            assert swept(scenario, *VARIED, executor=workers, progress=progress) == alone
    assert told == [(done, 6) for done in range(1, 7)]


def test_a_store_that_does_not_fit_is_a_line_with_the_reason(scenario: Path) -> None:
    found = swept(scenario, "store.size=8 KiB,64 KiB,3 MiB,5000 B", "store.reserve_blocks=2,40")
    refused = {tuple(variant.settings.values()): " ".join(variant.refused) for variant in found.variants}
    assert "too few" in refused["8 KiB", "2"]
    assert refused["64 KiB", "2"] == ""
    assert "40 are the reserve" in refused["64 KiB", "40"]
    assert "behind the chip's 128 KiB" in refused["3 MiB", "2"]
    assert "not whole erase blocks" in refused["5000 B", "2"]
    assert [variant.summary is None for variant in found.variants] == [bool(reason) for reason in refused.values()]


def test_an_unmet_expectation_is_reported_and_ends_nothing(scenario: Path) -> None:
    first, second = swept(scenario, "store.size=24 KiB,64 KiB").variants
    assert [verdict.name for verdict in first.unmet] == ["refused_max"]
    assert first.summary is not None
    assert first.summary.refused_operations == first.unmet[0].measured > 0
    assert second.unmet == ()


def test_a_setting_that_the_file_does_not_have_can_be_varied(scenario: Path) -> None:
    found = swept(scenario, "store.buffer=64 B,256 B", "task.gauge.every=1 h,6 min", "run.seed=1")
    assert all(variant.summary for variant in found.variants)
    assert found.settings == ("store.buffer", "task.gauge.every", "run.seed")


def test_every_bad_value_is_one_fault_that_names_it(scenario: Path) -> None:
    store = ("store.size=1MB,64 KiB,9 GiB", "store.packing=bit", "store.colour=red", "chop.part=a")
    found = faults(scenario, *store, "run.seed=-1,x", "task.b.every=1 h")
    beginnings = [
        'store.size=1MB: "1MB": the unit MB may be 1000² or 1024² bytes',
        "store.size=9 GiB: '9 GiB' is out of bounds",
        'store.packing=bit: "bit" is not one of the choices; known are',
        "store.colour=red: there is no such key; known here are kind, start, size",
        "chop.part=a: there is no such key; did you mean chip? known here are title",
        "run.seed=-1: -1 is out of bounds; write at least 0",
        'run.seed=x: "x" is not a whole number',
        "task.b.every: there is no task named b; known are gauge",
    ]
    assert len(found) == len(beginnings)
    for fault, beginning in zip(found, beginnings, strict=True):
        assert fault.startswith(beginning), fault


def test_what_contradicts_itself_is_refused(scenario: Path) -> None:
    again = faults(scenario, "store.size=64KiB,65536 B")
    assert again == ["store.size=65536 B: this value is there already; give it once"]
    assert "varied already" in faults(scenario, "task.gauge.every=1 h", "task[0].every=2 h")[0]
    assert "varied already" in faults(scenario, "store.size=64 KiB", "store={size = '32 KiB'}")[0]
    seeds = ",".join(map(str, range(VARIANTS_MAX // 2)))
    many = faults(scenario, f"run.seed={seeds}", "store.choices=1,2,3")
    assert many[0].startswith("store.choices: there are more than 1000 combinations")
    with pytest.raises(ValueError, match="it gives no values"):
        Variation.parse("store.size")


def test_a_bad_file_is_refused_before_anything_runs(tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text("[chip]\nsize = 5\n")
    with pytest.raises(ValueError, match="has no unit") as caught:
        swept(path, "store.size=64 KiB")
    with pytest.raises(ValueError, match="has no unit") as same:
        load_scenario(path)
    assert str(caught.value) == str(same.value)


class Given(Executor):
    """Hands out variants that were made up."""

    def __init__(self, *variants: Variant) -> None:
        self._waiting = iter(variants)

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(next(self._waiting))
        return future


def summary(**values: Any) -> Summary:
    return Summary(**dict.fromkeys(Summary.__dataclass_fields__, 1) | values)


@pytest.mark.parametrize("word", ORDERS)
def test_the_best_come_first_then_those_that_fall_short_then_what_was_not_run(word: str, scenario: Path) -> None:
    figure = ORDERS[word].figure
    unmet = swept(scenario, "store.size=24 KiB").variants[0].unmet
    made = [
        Variant({"run.seed": "0"}, None, (), ("no room",)),
        Variant({"run.seed": "1"}, summary(**{figure: 9}), unmet, ()),
        Variant({"run.seed": "2"}, summary(**{figure: None}), (), ()),
        Variant({"run.seed": "3"}, summary(**{figure: 5}), (), ()),
        Variant({"run.seed": "4"}, summary(**{figure: 7}), (), ()),
        Variant({"run.seed": "5"}, summary(**{figure: 5}), (), ()),
        Variant({"run.seed": "6"}, summary(**{figure: 0}), (), ()),
    ]
    found = swept(scenario, "run.seed=0,1,2,3,4,5,6", sorted_by=word, executor=Given(*made))
    best = "4356" if figure in ("life_ns", "free_bytes_min") else "6354"
    assert "".join(variant.settings["run.seed"] for variant in found.variants) == f"{best}210"
