"""The table of the device's battery."""

from __future__ import annotations

from pydantic import Field

from simfs.replay.device.battery import Battery
from simfs.replay.scenario.fields import Charge, Current, Duration, Table, Voltage

PPM_PER_PERCENT = 10_000


class BatteryTable(Table):
    """What the device runs from, and what it takes beside its flash or card. What is left out is not counted, and the
    report says so."""

    capacity: Charge = Field(description='what a new battery holds, for example "2400 mAh"')
    voltage: Voltage = Field(
        description='its voltage while it is used, for example "3.6 V"; the currents below are at this voltage'
    )
    self_discharge_percent: float | None = Field(
        default=None, ge=0, le=100, description="how much of the capacity it loses by itself in a year, in percent"
    )
    sleep_current: Current | None = Field(
        default=None,
        description='what the device takes while it sleeps, without its flash or card, for example "3.5 uA"; what it '
        "does beside its files belongs here too, on average",
    )
    awake_current: Current | None = Field(
        default=None,
        description="what it takes while it is awake for an operation on a file, without its flash or card, for "
        'example "4 mA"',
    )
    awake_time: Duration | None = Field(
        default=None,
        description='how long it is awake for each operation, for example "5 ms"; the time that it waits for flash or '
        "card comes on top",
    )

    def battery(self) -> Battery:
        """The figures, as a run carries them."""
        percent = self.self_discharge_percent
        return Battery(
            capacity_uah=self.capacity,
            voltage_mv=self.voltage,
            self_discharge_ppm=None if percent is None else round(percent * PPM_PER_PERCENT),
            sleep_na=self.sleep_current,
            awake_na=self.awake_current,
            awake_ns=self.awake_time,
        )
