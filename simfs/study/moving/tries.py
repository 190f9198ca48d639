"""The figures that show what a fix is worth, and how two runs differ in them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from simfs.replay.device.device import Run
from simfs.study.moving.findings import Change, Number
from simfs.study.run.figures import Figures, Outlook
from simfs.study.run.measure import figures
from simfs.study.run.outlook import with_outlook

MEASURES: dict[str, Callable[[Figures], Number | None]] = {
    "refused_operations": lambda of: of.trouble.refused_operations,
    "names_that_break": lambda of: sum(fault.breaks for fault in of.trouble.name_faults),
    "programs": lambda of: of.flash_work.programs,
    "erases": lambda of: of.flash_work.erases if of.wear else None,
    "write_amplification": lambda of: of.amplification.total_ratio,
    "energy_a_day_nj": lambda of: of.energy.active_per_day_nj if of.energy else None,
    "battery_life_ns": lambda of: of.battery.life_ns if of.battery else None,
    "longest_write_ns": lambda of: of.stalls.longest_ns if of.stalls else None,
    "room_bytes": lambda of: of.room.capacity_bytes,
    "ram_bytes": lambda of: of.ram_total_bytes,
}
TROUBLE = ("refused_operations", "names_that_break")
COSTS = ("room_bytes", "ram_bytes")
ROOM = (*TROUBLE, "room_bytes")
MEMORY = (*TROUBLE, "ram_bytes")
WORK = ("programs", "erases", "write_amplification", "energy_a_day_nj", "battery_life_ns")


def measured(run: Run) -> dict[str, Number | None]:
    """The figures of a run by the names of MEASURES. Reads its store."""
    taken = figures(run)
    return {name: measure(taken) for name, measure in MEASURES.items()} | {"files": len(run.store.names())}


def outlook_of(run: Run, *, carried_on: bool) -> Outlook:
    """What comes after the run; by its pace alone where it is not carried on."""
    found = with_outlook(run if carried_on else replace(run, go_on=None), figures(run)).outlook
    assert found is not None
    return found


def changes(
    names: Iterable[str], before: dict[str, Number | None], after: dict[str, Number | None]
) -> tuple[Change, ...]:
    """Those of the figures that differ."""
    return tuple(Change(name, before[name], after[name]) for name in names if before[name] != after[name])
