"""What the new store has no room for once the device has run for longer than the scenario does."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_YEAR
from simfs.study.moving.findings import ADVICE, REFUSED, Finding
from simfs.study.moving.scenarios.runs import Moved
from simfs.study.moving.tries import outlook_of

KIND = "no room later"
FAR_NS = 100 * NS_PER_YEAR  # beyond that, nobody asks


def later_room(it: Moved) -> Iterator[Finding]:
    """A finding if the new store is full one day, and the old one is not or later. The run is carried on, as a report
    does, where it is too short to show whether the files go on growing."""
    if any(refusal.error == "ENOSPC" for refusal in it.run.refusals):
        return  # it is full within the run
    outlook, old = outlook_of(it.run, carried_on=False), outlook_of(it.was, carried_on=False)
    may_end = outlook.telling_ns > 0
    outlook = outlook_of(it.run, carried_on=True) if may_end else outlook
    if outlook.full_ns is None or outlook.full_ns > min(FAR_NS, old.full_ns or FAR_NS):
        return
    deeds = max(it.after.deeds.values(), key=lambda one: one.host_bytes)
    _, words, tried = it.trials.lasting_room(outlook.full_ns, old.full_ns, carried_on=may_end)
    about = "at the pace of the run about " if outlook.is_projected else ""
    old_medium = it.was.store.medium.kind
    was = f"after {_days(old.full_ns)}" if old.full_ns is not None else "not in sight"
    yield Finding(
        level=ADVICE if outlook.is_projected else REFUSED,
        kind=KIND,
        line=it.places.line(deeds.place),
        place=deeds.place,
        seen=f"the store is full {about}{_days(outlook.full_ns)} after the start; on the {old_medium} {was}",
        happens="writes are refused from then on, unless files go; this place writes most",
        fix=words or "keep less, or write less",
        tried=tried,
        untried="" if tried else "no larger store that was tried lasts longer",
    )


def _days(time_ns: int) -> str:
    return f"{time_ns / NS_PER_DAY:,.0f} days"
