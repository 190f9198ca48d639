"""Rewriting at 90 % use against 30 %: host time for each byte programmed. The fuller a store, the more bytes its
cleaner moves; the time should grow with those bytes and no faster."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from statistics import median
from typing import NamedTuple

from benchmarks.devices import FRAME_BYTES, RECORD, new_store
from benchmarks.measure import Figure, seconds_in_turn
from simfs import Store
from simfs.flash import Rng

NAMES = ("small files written anew, 90 % use against 30 %", "records updated in place, 90 % use against 30 %")
GOAL = 1.15
USES = (0.9, 0.3)
FILE = RECORD * 5


class Work(NamedTuple):
    """What fills a store with so many live bytes, and tells how many things there are then; what is done to one."""

    fill: Callable[[Store, int], int]
    step: Callable[[Store, int], None]


class Rewriter:
    """A store in its steady state, with so much of its capacity live: blocks have been erased twice on average. Each
    step is done to a file or record drawn anew."""

    def __init__(self, store: Store, use: float, work: Work) -> None:
        self.store = store
        self._rng = Rng(0, "full")
        self._among = work.fill(store, int(use * store.usage().capacity_bytes))
        self._step = work.step
        self.programmed_bytes: list[int] = []  # in each call of `steps`
        while store.meters.erases < 2 * len(store.erase_counts):
            self.steps(100)
        self.programmed_bytes.clear()

    def steps(self, count: int) -> None:
        """So many steps, each one open, one write and a close."""
        store, step, draw, among = self.store, self._step, self._rng.below, self._among
        before = store.flash.program_bytes
        for _ in range(count):
            step(store, draw(among))
        self.programmed_bytes.append(store.flash.program_bytes - before)

    @property
    def use_percent(self) -> float:
        """Live bytes now."""
        usage = self.store.usage()
        return 100 * usage.live_bytes / usage.capacity_bytes


def run(small: bool) -> Iterator[Figure]:
    """On 512 KiB, greedy cleaner, erase blocks of 4 KiB."""
    size_bytes, steps, rounds = (128 << 10, 50, 3) if small else (512 << 10, 400, 30)
    works = (Work(_many_files, _write_anew), Work(_one_file, _update))
    for name, work in zip(NAMES, works, strict=True):
        rewriters = [Rewriter(new_store(size_bytes), use, work) for use in USES]
        taken = seconds_in_turn(rounds, *(lambda one=one: one.steps(steps) for one in rewriters))
        full, roomy = (
            median(1e9 * seconds / programmed for seconds, programmed in zip(each, one.programmed_bytes, strict=True))
            for each, one in zip(taken, rewriters, strict=True)
        )
        each_bytes = [sum(one.programmed_bytes) / rounds / steps for one in rewriters]
        detail = (
            f"{full:.0f} against {roomy:.0f} ns a byte; a step programs {each_bytes[0]:.0f} bytes "
            f"at {rewriters[0].use_percent:.0f} %, {each_bytes[1]:.0f} at {rewriters[1].use_percent:.0f} %"
        )
        yield Figure(name, full / roomy, "x", GOAL, detail)


def _many_files(store: Store, live_bytes: int) -> int:
    count = 0
    while store.live_bytes < live_bytes:
        _write_anew(store, count)
        count += 1
    return count


def _write_anew(store: Store, number: int) -> None:
    with store.open(f"/set/{number:05}", "wb") as file:
        file.write(FILE)


def _one_file(store: Store, live_bytes: int) -> int:
    count = live_bytes // FRAME_BYTES  # what the records come to, once each has been updated
    with store.open("/records", "wb") as file:
        file.write(RECORD * count)
    return count


def _update(store: Store, number: int) -> None:
    with store.open("/records", "r+b") as file:
        file.seek(number * len(RECORD))
        file.write(RECORD)
