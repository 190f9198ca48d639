"""The tables of a scenario's TOML file as pydantic models; `load` reads them.

    title       one line for the report
    [chip]      a catalogue part, or a geometry and times of your own; or
    [card]      a removable card
    [both]      what the card is for beside a chip, and [[card_out]] when it is taken out
    [[region]]  what else is in the chip, and where; [releases] how its programs grow
    [store]     where the store sits in the chip, and its settings
    [battery]   what the device runs from
    [run]       when the run starts, how long it lasts, the seed
    [values.x]  a reading that texts write as {x}
    [[task]]    what the device does, and when
    [expect]    what must hold at the end

A key that is not named here is an error. Each key's description serves twice: the guide prints it, and an error message
says with it what would be right.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any, Self

from pydantic import Field, field_validator, model_validator

from simfs.replay.device.clock import START_UNSAID, parse_moment
from simfs.replay.scenario.expectations import Expect
from simfs.replay.scenario.fields import AnySize, Duration, Moment, Period, Size, Table
from simfs.replay.scenario.media.both import Both, CardOut
from simfs.replay.scenario.media.card import CardTable
from simfs.replay.scenario.media.chip import Chip, NoChip
from simfs.replay.scenario.regions.tables import Region, Releases
from simfs.replay.scenario.supply.battery import BatteryTable
from simfs.replay.scenario.tasks import Task
from simfs.store.format.config import CLEANERS, OVERLONG, PACKINGS, StoreConfig

KINDS = ("flash", "card", "both")
OF_ANY_KIND = frozenset({"kind", "name_bytes", "overlong", "open_files_max"})
"""The keys of `[store]` that count on a card too."""

_SETTINGS = {field.name for field in fields(StoreConfig)}


class StoreTable(Table):
    """What the files are on, where the store sits in the chip, and its settings."""

    kind: str = Field(
        default="flash",
        json_schema_extra={"enum": list(KINDS)},
        description='what the files are on: "flash" our log on the chip, "card" a FAT volume on a removable card, for '
        'which only name_bytes, overlong and open_files_max of this table count, "both" one on the chip and one on a '
        "card that may be taken out, as [both] says",
    )
    start: AnySize = Field(
        default=0, description='where the store begins in the chip, in whole erase blocks, for example "3 MiB"'
    )
    size: Size | None = Field(
        default=None,
        description="the store's size in whole erase blocks; without it, the store takes the rest of the chip",
    )
    cleaner: str = Field(
        default="greedy",
        json_schema_extra={"enum": list(CLEANERS)},
        description='which block the cleaner empties next: "greedy" the one with the least live data, "oldest-first" '
        'the one closed longest ago, "cost-benefit" weighs dead data and age, "random" any, "best-of-d" the emptiest '
        "of `choices` drawn at random",
    )
    choices: int = Field(default=2, description='how many blocks "best-of-d" draws, 1 to 255')
    log_heads: int = Field(
        default=1, description="1, or 2 to write new data and data moved by the cleaner to blocks of their own"
    )
    packing: str = Field(
        default="byte",
        json_schema_extra={"enum": list(PACKINGS)},
        description='where a frame may start: "byte" right behind the one before, "page" on a page only',
    )
    buffer: Size | None = Field(
        default=None,
        description="how much of a file waits in RAM before it is written, 16 B to 32 KiB; without it 256 B, or what "
        "fills a page",
    )
    reserve_blocks: int | None = Field(
        default=None,
        description="erase blocks kept free, at least 2; without it 3: the two that the log names ahead, and one for "
        "the cleaner",
    )
    level_threshold: int = Field(
        default=8,
        description="wear levelling moves data that never changes once erase counts differ by this; 0 for no such "
        "moves",
    )
    idle_cleaning: bool = Field(
        default=False,
        description="true to clean and erase ahead while the device is idle, false to wait until room is needed",
    )
    name_bytes: int = Field(
        default=48, description="the longest name in bytes with its terminator, 2 to 256; the path counts"
    )
    overlong: str = Field(
        default="reject",
        json_schema_extra={"enum": list(OVERLONG)},
        description='what happens to a longer name: "reject" refuses it, "cut" cuts it silently, as an unchecked '
        "store would",
    )
    fold_case: bool = Field(
        default=False,
        description="true if names that differ only in the case of ASCII letters are the same; "
        "other letters keep their case",
    )
    open_files_max: int = Field(default=8, description="how many files may be open at once")
    seed: int = Field(default=0, description='the seed of the cleaners "random" and "best-of-d"')

    @model_validator(mode="after")
    def _sound(self) -> Self:
        self.config()
        return self

    @field_validator("*")
    @classmethod
    def _setting(cls, value: Any, info: Any) -> Any:
        if info.field_name == "kind" and value not in KINDS:
            raise ValueError(f'there is no kind "{value}"; known are {", ".join(KINDS)}')
        setting = "buffer_bytes" if info.field_name == "buffer" else str(info.field_name)
        if setting in _SETTINGS:
            StoreConfig(**{setting: value})
        return value

    def config(self) -> StoreConfig:
        """The settings as the store takes them. `ValueError` names one that is out of bounds."""
        table = self.model_dump(exclude={"kind", "start", "size", "buffer"})
        return StoreConfig(buffer_bytes=self.buffer, **table)


class RunTable(Table):
    """When the run starts and how long it lasts."""

    duration: Period = Field(description='how long the device runs, for example "30 d"')
    start: Moment = Field(
        default=parse_moment(START_UNSAID),
        description='what the device\'s clock shows at the start, for example "2031-04-05 00:00:00"',
    )
    seed: int = Field(default=0, ge=0, le=2**63 - 1, description="the seed of everything that is drawn at random")


class Wave(Table):
    """One sine of a reading, such as a tide or the swing between day and night."""

    amplitude: float = Field(ge=-1e9, le=1e9, description="half of the swing from lowest to highest")
    period: Period = Field(description='the time of one swing, for example "12h 25min 14s"')
    phase: Duration = Field(default=0, description="how much of the period has passed when the clock stands at zero")


class Walk(Table):
    """A random walk, for a reading that drifts."""

    step: float = Field(gt=0, le=1e9, description="the most by which two readings in a row differ")
    least: float = Field(
        default=-1e9, ge=-1e9, le=1e9, description="the furthest that it goes below the mean, for example -2.5"
    )
    most: float = Field(
        default=1e9, ge=-1e9, le=1e9, description="the furthest that it goes above the mean, for example 2.5"
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        _check_order(self.least, self.most)
        return self

    @classmethod
    def left_out(cls, key: str) -> object:
        return None


class Value(Table):
    """A reading: the mean plus waves, a walk and noise, then held between least and most. A text draws it anew
    wherever it says `{NAME}`."""

    mean: float = Field(default=0.0, ge=-1e9, le=1e9, description="the value that everything else is added to")
    decimals: int = Field(default=0, ge=0, le=9, description="digits after the decimal point")
    waves: list[Wave] = Field(default=[], max_length=100, description="sines that are added, a table for each")
    walk: Walk | None = Field(default=None, description="a random walk")
    noise: float = Field(default=0.0, ge=0, le=1e9, description="each reading is off by at most this, up or down")
    least: float | None = Field(default=None, ge=-1e9, le=1e9, description="no reading is below this")
    most: float | None = Field(default=None, ge=-1e9, le=1e9, description="no reading is above this")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        _check_order(self.least, self.most)
        return self


def _check_order(least: float | None, most: float | None) -> None:
    if least is not None and most is not None and least > most:
        raise ValueError(f"least = {least:g} is above most = {most:g}; write the smaller of the two as least")


class Scenario(Table):
    """A device's work with its files, and what is expected of it."""

    title: str = Field(default="", max_length=200, description="one line for the report")
    chip: Chip = Field(
        default=NoChip(part="generic"),
        description='the flash, for example part = "W25Q32JV"; a store of the kind "card" needs none',
    )
    card: CardTable = Field(
        default=CardTable(), description='the card, where the store is of the kind "card" or "both"'
    )
    both: Both | None = Field(default=None, description='what the card is for, where the store is of the kind "both"')
    card_out: list[CardOut] = Field(
        default=[], max_length=100, description='when the card is out, where the store is of the kind "both"'
    )
    store: StoreTable = Field(default=StoreTable(), description="where the store sits in the chip, and its settings")
    region: list[Region] = Field(
        default=[], max_length=100, description="what the chip is shared out among, a table for each region"
    )
    releases: Releases = Field(default=Releases(), description="the firmware's releases to come, for regions")
    battery: BatteryTable | None = Field(default=None, description="what the device runs from")
    run: RunTable = Field(description='when and how long, for example duration = "30 d"')
    values: dict[str, Value] = Field(default={}, max_length=1000, description="readings that texts may write, by name")
    task: list[Task] = Field(
        min_length=1, max_length=200, description="what the device does, and when; one table for each task"
    )
    expect: Expect = Field(default=Expect(), description="what must hold at the end")


class DeviceOnly(Scenario):
    """A scenario of which only the chip and what lies in it count, so that it needs no tasks and no time: for a
    recording, an image, a mount, and a map of the chip."""

    run: RunTable = Field(
        default=RunTable.model_validate({"duration": "1 d"}), description="when and how long; it plays no part"
    )
    task: list[Task] = Field(default=[], max_length=200, description="they are not played")
