"""The rows of a report that are about the device's battery."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.replay.device.clock import NS_PER_DAY
from simfs.show import units
from simfs.show.rows.line import Line
from simfs.study.run.battery_life import BatteryLife

PPM_PER_PERCENT = 10_000


def battery_lines(life: BatteryLife) -> Iterator[Line]:
    """How long it lasts, what takes how much of it, and what that leaves out."""
    capacity = units.charge(life.capacity_nj, life.voltage_mv)
    average = units.current(life.per_day_nj, life.voltage_mv, NS_PER_DAY)
    at_most = "at most: see what is not counted; " if life.not_counted else ""
    yield (
        "battery lasts",
        "cannot say" if life.life_ns is None else units.years(life.life_ns),
        f"{at_most}{capacity} at {life.voltage_mv / 1000:g} V, {average} on average",
    )
    parts = (
        (life.medium, life.medium_per_day_nj, f"the {life.medium} at work and at rest"),
        ("device awake", life.awake_per_day_nj, _awake(life)),
        ("device asleep", life.asleep_per_day_nj, "the device for the rest of the time"),
        ("self-discharge", life.self_discharge_per_day_nj, _lost(life)),
    )
    for name, part_nj, note in parts:
        if part_nj is not None:
            each = units.current(part_nj, life.voltage_mv, NS_PER_DAY)
            yield f"  {name}", units.percent(100 * life.share(part_nj)), f"{each}: {note}"
    if life.not_counted:
        yield "! not counted", "", f"{', '.join(life.not_counted)}: no figure is given, so the battery lasts shorter"
    yield from _sources(life)
    yield "not modelled", "", ", ".join(life.not_modelled)


def _awake(life: BatteryLife) -> str:
    awake, waits = units.time(life.awake_per_day_ns or 0), units.time(life.waits_per_day_ns)
    return (
        f"{awake} a day for {units.counted(life.operations_per_day, 'operation')}, in which it waits {waits} for the "
        f"{life.medium}"
    )


def _lost(life: BatteryLife) -> str:
    return f"{units.number((life.self_discharge_ppm or 0) / PPM_PER_PERCENT)} % of the capacity a year"


def _sources(life: BatteryLife) -> Iterator[Line]:
    """Where the medium's currents come from; those of one source in one line."""
    by_source = dict[str, list[str]]()
    for word, source in life.sources.items():
        if source:
            by_source.setdefault(source, []).append(word)
    for source, words in by_source.items():
        yield f"{life.medium} currents", "", f"{', '.join(words)}: {source}"
