"""What a device runs from."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Battery:
    """A battery, and what the device takes from it beside its medium. None is what nobody gave.

    self_discharge_ppm  what it loses by itself in a year, in millionths of the capacity
    awake_ns            for each operation on a file; the time that it waits for the medium comes on top
    """

    capacity_uah: int
    voltage_mv: int
    self_discharge_ppm: int | None = None
    sleep_na: int | None = None
    awake_na: int | None = None
    awake_ns: int | None = None
