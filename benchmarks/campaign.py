"""Cut states judged whole: mounted read-only and to write, compared with what may be there, checked, mounted again,
mounted with its weak bits read otherwise, worked on, and mounted once more with what was done to it."""

from __future__ import annotations

from collections.abc import Iterator
from os import cpu_count
from resource import RUSAGE_CHILDREN, RUSAGE_SELF, getrusage
from time import perf_counter

from benchmarks.devices import BLOCK_BYTES, RECORD, new_store
from benchmarks.measure import Figure
from simfs import Store
from simfs.study.cuts.campaign import campaign
from simfs.study.cuts.judging.states import sampled
from simfs.study.cuts.notes.history import History
from simfs.study.cuts.notes.recorder import record

NAMES = ("a cut state of 256 KiB that hold 500 frames", "a cut state of a full 16 KiB store")
FILES = 4


def run(small: bool) -> Iterator[Figure]:
    """With a process for each core. The time of a state is what the processes took together, user and system, through
    two: that of two cores with nothing else to do. The goals are 1,000 and 2,500 states a second."""
    for name, history, goal_ms in ((NAMES[0], appends(60), 1.0), (NAMES[1], full_store(), 0.4)):
        cuts = list(sampled(history, 50 if small else 5000))
        began, used = perf_counter(), cpu_seconds()
        result = campaign(history, cuts)
        taken, used = perf_counter() - began, cpu_seconds() - used
        assert result.states == len(cuts)
        assert not result.violations, result.violations[0]
        on_two = result.states * 2 / used
        detail = f"{on_two:.0f} a second on two cores; here and now {result.states / taken:.0f} on {cpu_count()}"
        yield Figure(name, 1e3 / on_two, "ms", goal_ms, detail)


def cpu_seconds() -> float:
    """What this process and the workers that it has waited for took."""
    own, workers = getrusage(RUSAGE_SELF), getrusage(RUSAGE_CHILDREN)
    return own.ru_utime + own.ru_stime + workers.ru_utime + workers.ru_stime


def append(store: Store, count: int, names: int = 1) -> None:
    """So many records, each a frame of its own, to files one after the other."""
    for number in range(count):
        with store.open(f"/log/{number * names // count}.csv", "ab") as file:
            file.write(RECORD)


def appends(count: int) -> History:
    """Records appended where 500 are already."""
    store = new_store(64 * BLOCK_BYTES)
    append(store, 500, FILES)
    return record(store, lambda watched: append(watched, count))


def full_store() -> History:
    """A log in a store of eight erase blocks, cut to half and filled up again, twice."""
    store = new_store(16 << 10, BLOCK_BYTES // 2)
    fill(store)
    return record(store, cut_and_fill)


def fill(store: Store) -> None:
    """Append until the store refuses."""
    try:
        while True:
            append(store, 1)
    except OSError:
        assert store.usage().live_bytes > 0.9 * store.usage().capacity_bytes


def cut_and_fill(store: Store) -> None:
    for _ in range(2):
        store.truncate("/log/0.csv", store.stat("/log/0.csv").size_bytes // 2)
        fill(store)
