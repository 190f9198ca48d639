"""Habits of a recorded program that wear the new store: flushes for a few bytes each, and files that are rewritten."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import cast

from simfs.files.contract import AnyStore
from simfs.replay.play import make_store
from simfs.study.moving.findings import ADVICE, Change, Finding
from simfs.study.moving.pieces import IN_PLACE, OFTEN, SHARE_MIN, SMALL_SHARE, WRITES, by_itself, gathered
from simfs.study.moving.recordings.replayed import RecordedMove
from simfs.study.moving.recordings.seldom_flushed import SeldomFlushed
from simfs.study.moving.tries import WORK, changes, measured

FLUSHING = ("flush", "close")


@dataclass(slots=True)
class _Habit:
    """What a program does to one file. `pieces` counts the times that something became durable."""

    line: int = 0
    writes: int = 0
    pieces: int = 0
    rewrites: int = 0
    host_bytes: int = 0
    programs: int = 0


def recorded_habits(it: RecordedMove) -> Iterator[Finding]:
    """For each file at most one of each kind."""
    found = _by_file(it)
    whole = sum(habit.programs for habit in found.values())
    for name, habit in found.items():
        if habit.programs < SHARE_MIN * whole or not habit.host_bytes:
            continue
        unit_bytes = it.run.store.medium.unit_bytes
        if habit.pieces >= OFTEN and habit.host_bytes * SMALL_SHARE <= habit.pieces * unit_bytes:
            yield _small(it, name, habit)
        if habit.rewrites >= OFTEN:
            yield _rewritten(it, name, habit)


def _by_file(it: RecordedMove) -> dict[str, _Habit]:
    found: dict[str, _Habit] = {}
    for (name, operation), deeds in it.watch.deeds.items():
        habit = found.setdefault(name, _Habit(deeds.line))
        habit.programs += deeds.programs
        habit.host_bytes += deeds.host_bytes
        if operation == "write":
            habit.writes += deeds.count
        if operation in FLUSHING:
            habit.pieces += deeds.count
    for call in it.watch.calls:
        if call.name in found and call.size_bytes:
            inside = call.kind == "write" and call.at is not None and call.at < call.size_bytes
            found[call.name].rewrites += inside or (call.kind == "open" and "O_TRUNC" in call.flags)
    return {name: habit for name, habit in found.items() if habit.writes}


def _small(it: RecordedMove, name: str, habit: _Habit) -> Finding:
    medium = it.run.store.medium
    every = gathered(habit.host_bytes // habit.pieces, medium.unit_bytes)
    return Finding(
        ADVICE, "many small flushes", habit.line, name,
        f"{name} is flushed or closed {habit.pieces:,} times with {habit.host_bytes // habit.pieces:,} bytes each: "
        f"{habit.programs:,} {WRITES[medium.kind]}",
        by_itself(medium.unit_bytes),
        f"a flush every {every} readings, with the file left open; a power cut then loses up to {every - 1} of them",
        _seldom(it, name, every),
    )  # fmt: skip


def _seldom(it: RecordedMove, name: str, every: int) -> tuple[Change, ...]:
    """The recording replayed so that of the flushes and closes of this file only each n-th counts."""
    before = measured(it.recording.on(it.scenario))
    store = SeldomFlushed(make_store(it.scenario), name, every)
    run = it.recording.replayed(cast("AnyStore", store))
    store.let_go()
    return changes(WORK, before, measured(run))


def _rewritten(it: RecordedMove, name: str, habit: _Habit) -> Finding:
    return Finding(
        ADVICE, "rewritten in place", habit.line, name,
        f"{name} is written over {habit.rewrites:,} times: {habit.programs:,} {WRITES[it.run.store.medium.kind]}",
        IN_PLACE[it.run.store.medium.kind],
        "write only what has changed, and only when it has; or append, and read the newest",
        untried="the program has to change for it",
    )  # fmt: skip
