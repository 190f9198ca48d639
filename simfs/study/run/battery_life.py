"""How long the device's battery lasts at the pace of a run.

Everything is an integer of nJ for a day: what the medium takes, at its own supply; what the device takes awake and
asleep, and what the battery loses by itself, at the battery's voltage. A converter between the two is taken to lose
nothing. What nobody gave a figure for is left out and named, so the life is then an upper bound.
"""

from __future__ import annotations

from dataclasses import dataclass

from simfs.files.contract import Spent
from simfs.replay.device.battery import Battery
from simfs.replay.device.clock import NS_PER_DAY, NS_PER_S, NS_PER_YEAR
from simfs.replay.device.device import Run
from simfs.replay.device.observer import IDLE_TASK
from simfs.study.run.card_work import PACE_NS_MIN

S_PER_HOUR = 3_600
PW_NS_PER_NJ = 10**12  # 1 nA at 1 mV is 1 pW
NOT_MODELLED = ("temperature", "ageing", "peak currents", "losses of a converter")


@dataclass(frozen=True, slots=True)
class BatteryLife:
    """A battery and what is taken from it in a day. None is what nobody gave, and so is not counted; `not_counted` says
    what that is.

    operations_per_day  on files; idle work of the store is none
    sources             where the currents of the medium come from, by what is done at each
    """

    capacity_uah: int
    voltage_mv: int
    self_discharge_ppm: int | None
    medium: str
    operations_per_day: int
    waits_per_day_ns: int
    awake_per_day_ns: int | None
    medium_per_day_nj: int | None
    awake_per_day_nj: int | None
    asleep_per_day_nj: int | None
    self_discharge_per_day_nj: int | None
    not_counted: tuple[str, ...]
    sources: dict[str, str]

    @property
    def capacity_nj(self) -> int:
        """uAh at mV: uA s mV are nJ."""
        return self.capacity_uah * S_PER_HOUR * self.voltage_mv

    @property
    def per_day_nj(self) -> int:
        parts = (
            self.medium_per_day_nj, self.awake_per_day_nj, self.asleep_per_day_nj, self.self_discharge_per_day_nj,
        )  # fmt: skip
        return sum(part for part in parts if part is not None)

    @property
    def life_ns(self) -> int | None:
        """None where nothing is taken from it."""
        return self.capacity_nj * NS_PER_DAY // self.per_day_nj if self.per_day_nj else None

    @property
    def life_days(self) -> float | None:
        return None if self.life_ns is None else self.life_ns / NS_PER_DAY

    @property
    def medium_share(self) -> float | None:
        """How much of all that is counted the flash or card takes."""
        return None if self.medium_per_day_nj is None else self.share(self.medium_per_day_nj)

    @property
    def not_modelled(self) -> tuple[str, ...]:
        return NOT_MODELLED

    def share(self, part_nj: int) -> float:
        """How much of all that is counted a part is, from 0 to 1."""
        return part_nj / self.per_day_nj if self.per_day_nj else 0.0


def battery_life(run: Run) -> BatteryLife | None:
    """Of the run's battery; None where it has none, or is too short to have a pace."""
    battery, medium = run.battery, run.store.medium
    if battery is None or run.duration_ns < PACE_NS_MIN:
        return None
    spent = Spent(*medium.since(run.first))
    operations = sum(tally.operations.total() for name, tally in run.tasks.items() if name != IDLE_TASK)
    waits_ns = (spent.busy_ns + spent.read_ns) * NS_PER_DAY // run.duration_ns
    per_day = operations * NS_PER_DAY // run.duration_ns
    awake_ns = _awake_ns(battery, per_day, waits_ns)
    sources = dict(medium.current_sources())
    return BatteryLife(
        capacity_uah=battery.capacity_uah,
        voltage_mv=battery.voltage_mv,
        self_discharge_ppm=battery.self_discharge_ppm,
        medium=medium.kind,
        operations_per_day=per_day,
        waits_per_day_ns=waits_ns,
        awake_per_day_ns=awake_ns,
        medium_per_day_nj=_medium_nj(run),
        awake_per_day_nj=_taken_nj(battery.awake_na, battery, awake_ns),
        asleep_per_day_nj=_taken_nj(battery.sleep_na, battery, NS_PER_DAY - (awake_ns or 0)),
        self_discharge_per_day_nj=_lost_nj(battery),
        not_counted=tuple(_not_counted(battery, medium.kind, sources)),
        sources=sources,
    )


def _awake_ns(battery: Battery, operations: int, waits_ns: int) -> int | None:
    return None if battery.awake_ns is None else min(operations * battery.awake_ns + waits_ns, NS_PER_DAY)


def _medium_nj(run: Run) -> int | None:
    """What the medium takes in a day, at work and at rest; None where nobody knows any of it."""
    medium = run.store.medium
    if not medium.supply_mv:
        return None
    return medium.energy_nj(run.first) * NS_PER_DAY // run.duration_ns + medium.standby_nw * (NS_PER_DAY // NS_PER_S)


def _taken_nj(current_na: int | None, battery: Battery, for_ns: int | None) -> int | None:
    return None if current_na is None or for_ns is None else current_na * battery.voltage_mv * for_ns // PW_NS_PER_NJ


def _lost_nj(battery: Battery) -> int | None:
    if battery.self_discharge_ppm is None:
        return None
    year_nj = battery.capacity_uah * S_PER_HOUR * battery.voltage_mv * battery.self_discharge_ppm // 10**6
    return year_nj * NS_PER_DAY // NS_PER_YEAR


def _not_counted(battery: Battery, medium: str, sources: dict[str, str]) -> list[str]:
    """What the life leaves out, for want of a figure."""
    given = {
        "self_discharge_percent": battery.self_discharge_ppm,
        "sleep_current": battery.sleep_na,
        "awake_current": battery.awake_na,
        "awake_time": battery.awake_ns,
    }
    missing = [key for key, value in given.items() if value is None]
    if not sources:
        return [*missing, f"every current of the {medium}"]
    return [*missing, *(f"the current of the {medium}, {word}" for word, source in sources.items() if not source)]
