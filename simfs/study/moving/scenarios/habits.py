"""Habits that wear the new store or cost energy on it: pieces written one by one, and files that are rewritten."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.replay.scenario.tasks import Append
from simfs.study.moving.findings import ADVICE, Change, Finding
from simfs.study.moving.pieces import IN_PLACE, OFTEN, SHARE_MIN, SMALL_SHARE, WRITES, by_itself, gathered
from simfs.study.moving.scenarios.runs import Moved
from simfs.study.moving.tries import WORK
from simfs.study.moving.watch import Deeds

REWRITES = ("write", "update")


def habits(it: Moved) -> Iterator[Finding]:
    """For each place at most one of each kind."""
    for deeds in it.after.deeds.values():
        done = deeds.count - deeds.refused.total()
        if done < OFTEN or deeds.programs < SHARE_MIN * it.after.programs or not deeds.host_bytes:
            continue
        if deeds.operation == "append" and deeds.host_bytes * SMALL_SHARE <= done * it.run.store.medium.unit_bytes:
            yield _small_pieces(it, deeds, done)
        elif deeds.operation in REWRITES and max(deeds.names.values()) >= OFTEN:
            yield _rewritten(it, deeds, done)


def work_of(deeds: Deeds, done: int, medium: str) -> str:
    """What one place's writes cost."""
    erases = f" and {deeds.erases:,} erases" if medium == "flash" else ""
    cost = f"{deeds.programs:,} {WRITES[medium]}{erases}"
    return f"{done:,} times {deeds.operation}, {deeds.host_bytes // done:,} bytes each: {cost}"


def _small_pieces(it: Moved, deeds: Deeds, done: int) -> Finding:
    medium = it.run.store.medium
    operation = it.places.operation(deeds.place)
    at_once = operation.gather if isinstance(operation, Append) else 1
    count = at_once * gathered(deeds.host_bytes // done, medium.unit_bytes)
    settings = [((*it.places.path(deeds.place), "gather"), count)]
    return _advice(
        it, deeds, "many small pieces", work_of(deeds, done, medium.kind),
        by_itself(medium.unit_bytes),
        f"gather = {count}: one write for {count:,} readings; a power cut then loses up to {count - 1:,} of them",
        it.trials.tried(settings, (*WORK, "refused_operations")),
    )  # fmt: skip


def _rewritten(it: Moved, deeds: Deeds, done: int) -> Finding:
    medium = it.run.store.medium
    task_at = it.places.path(deeds.place)[:2]
    every_ns = it.trials.every_ns(task_at)
    if every_ns is None:
        tried: tuple[Change, ...] = ()
        fix = "write only what has changed, and only when it has"
    else:
        fix = "write it half as often, or only when it has changed"
        tried = it.trials.tried([((*task_at, "every"), it.trials.twice(every_ns))], WORK)
    kind = "rewritten in place" if deeds.operation == "update" else "written anew again and again"
    return _advice(it, deeds, kind, work_of(deeds, done, medium.kind), IN_PLACE[medium.kind], fix, tried)


def _advice(
    it: Moved, deeds: Deeds, kind: str, seen: str, happens: str, fix: str, tried: tuple[Change, ...]
) -> Finding:
    untried = "" if tried else "the program has to change for it"
    return Finding(ADVICE, kind, it.places.line(deeds.place), deeds.place, seen, happens, fix, tried, untried)
