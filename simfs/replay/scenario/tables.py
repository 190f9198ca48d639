"""What a scenario may say: the tables of its TOML file as pydantic models. `load` reads them.

    title       one line for the report
    [chip]      a catalogue part, or a geometry and times of its own
    [store]     where the store sits in the chip, and how it is set up
    [run]       when it starts, how long it runs, the seed
    [values.x]  readings that contents may hold as {x}
    [[task]]    what the device does, and when
    [expect]    what must hold at the end

A key that is not named here is a fault. The description of a field also serves in error messages, as what would be
right.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any, Self

from pydantic import Field, field_validator, model_validator

from simfs.flash.datasheet import Datasheet
from simfs.flash.parts import GENERIC, PARTS
from simfs.replay.scenario.expectations import Expect
from simfs.replay.scenario.fields import AnySize, Duration, Moment, Period, Size, Table
from simfs.replay.scenario.tasks import Task
from simfs.store.format.config import CLEANERS, OVERLONG, PACKINGS, StoreConfig

_SETTINGS = {field.name for field in fields(StoreConfig)}
_CHIP_UNITS = {"size": "_bytes", "block": "_bytes", "page": "_bytes", "program_unit": "_bytes"} | dict.fromkeys(
    ("program_typ", "program_max", "erase_typ", "erase_max", "read_byte", "read_overhead"), "_ns"
)


class Chip(Table):
    """A catalogue part, or sizes and times of one's own; what is left out is that of a plain, invented part."""

    part: str | None = Field(default=None, description="a part of the catalogue; it needs nothing else")
    size: Size | None = Field(default=None, description='the size of the chip, for example "4 MiB"')
    block: Size | None = Field(default=None, description='the erase block, for example "4 KiB"')
    page: Size | None = Field(default=None, description='what one program can reach, for example "256 B"')
    program_unit: Size | None = Field(default=None, description='the least that can be programmed, for example "1 B"')
    page_programs_max: int | None = Field(
        default=None, ge=0, le=65_535, description="programs of a page between erases; 0: any"
    )
    program_typ: Period | None = Field(
        default=None, description='the typical time of a page program, for example "400 us"'
    )
    program_max: Period | None = Field(
        default=None, description='the longest time of a page program, for example "3 ms"'
    )
    erase_typ: Period | None = Field(default=None, description='the typical time of a block erase, for example "45 ms"')
    erase_max: Period | None = Field(
        default=None, description='the longest time of a block erase, for example "400 ms"'
    )
    read_byte: Duration | None = Field(default=None, description='the time to read a byte, for example "160 ns"')
    read_overhead: Duration | None = Field(
        default=None, description='the time before the first byte, for example "640 ns"'
    )
    program_ua: int | None = Field(
        default=None, ge=0, le=10**7, description="the current while programming, micro-amperes"
    )
    erase_ua: int | None = Field(default=None, ge=0, le=10**7, description="the current while erasing, micro-amperes")
    read_ua: int | None = Field(default=None, ge=0, le=10**7, description="the current while reading, micro-amperes")
    standby_ua: int | None = Field(default=None, ge=0, le=10**7, description="the current at rest, micro-amperes")
    supply_mv: int | None = Field(default=None, ge=1, le=100_000, description="the supply, mV")
    rated_cycles: int | None = Field(default=None, ge=1, le=10**9, description="erases that a block is rated for")
    retention_years: int | None = Field(default=None, ge=0, le=1000, description="years that data is kept")

    @field_validator("part")
    @classmethod
    def _known(cls, part: str | None) -> str | None:
        if part is not None and part not in PARTS:
            raise ValueError(f'there is no part "{part}" in the catalogue; known are {", ".join(PARTS)}')
        return part

    @model_validator(mode="after")
    def _whole(self) -> Self:
        own = sorted(self.model_fields_set - {"part"})
        if self.part and own:
            raise ValueError(f"a catalogue part has its own {own[0]}; leave out either part or {', '.join(own)}")
        if not self.part and self.size is None:
            raise ValueError('it has neither a part nor a size; write part = "W25Q32JV" or size = "4 MiB"')
        self.datasheet()
        return self

    def datasheet(self) -> Datasheet:
        """The chip's datasheet. `ValueError` where its values contradict each other."""
        if self.part:
            return PARTS[self.part]
        own = {key + _CHIP_UNITS.get(key, ""): getattr(self, key) for key in self.model_fields_set - {"part"}}
        for work in ("program", "erase"):  # one time alone stands for both
            for given, other in (("typ", "max"), ("max", "typ")):
                if f"{work}_{given}_ns" in own:
                    own.setdefault(f"{work}_{other}_ns", own[f"{work}_{given}_ns"])
        return replace(GENERIC, name="own geometry", source="the scenario", **own)


class StoreTable(Table):
    """Where the store sits, and its settings; see `simfs.store.format.config.StoreConfig`."""

    start: AnySize = Field(default=0, description="the store's first byte in the chip, a multiple of the erase block")
    size: Size | None = Field(
        default=None, description="the store's size, in whole erase blocks; else all that follows"
    )
    cleaner: str = Field(
        default="greedy", json_schema_extra={"enum": list(CLEANERS)}, description="how a victim is chosen"
    )
    choices: int = Field(default=2, description='d of the cleaner "best-of-d"')
    log_heads: int = Field(default=1, description="1, or 2 to keep new and relocated data apart")
    packing: str = Field(
        default="byte", json_schema_extra={"enum": list(PACKINGS)}, description="where a frame may start"
    )
    buffer: Size | None = Field(default=None, description='a file\'s write buffer, for example "256 B"')
    reserve_blocks: int | None = Field(default=None, description="erase blocks kept free for the cleaner")
    level_threshold: int = Field(
        default=8, description="difference of erase counts that moves cold blocks; 0: no levelling"
    )
    idle_cleaning: bool = Field(default=False, description="true to clean ahead in idle time")
    name_bytes: int = Field(default=48, description="the longest name with its terminator")
    overlong: str = Field(
        default="reject", json_schema_extra={"enum": list(OVERLONG)}, description="what a longer name meets"
    )
    fold_case: bool = Field(default=False, description="true where a and A are the same letter in a name")
    open_files_max: int = Field(default=8, description="how many files may be open at once")
    seed: int = Field(default=0, description="the seed of the random cleaners")

    @model_validator(mode="after")
    def _sound(self) -> Self:
        self.config()
        return self

    @field_validator("*")
    @classmethod
    def _setting(cls, value: Any, info: Any) -> Any:
        setting = "buffer_bytes" if info.field_name == "buffer" else str(info.field_name)
        if setting in _SETTINGS - {"reserve_blocks"}:  # its bound depends on log_heads
            StoreConfig(**{setting: value})
        return value

    def config(self) -> StoreConfig:
        """The settings as the store takes them. `ValueError` names one that is out of bounds."""
        table = self.model_dump(exclude={"start", "size", "buffer"})
        return StoreConfig(buffer_bytes=self.buffer, **table)


class RunTable(Table):
    """When the device starts, and how long it runs."""

    duration: Period = Field(description='how long the device runs, for example "30 d"')
    start: Moment = Field(default=0, description='the device\'s clock at the start, for example "2031-04-05 00:00:00"')
    seed: int = Field(default=0, ge=0, le=2**63 - 1, description="the seed of everything random in the tasks")


class Wave(Table):
    """One sine of a reading."""

    amplitude: float = Field(ge=-1e9, le=1e9, description="half of the swing from lowest to highest")
    period: Period = Field(description='the time of one swing, for example "12h 25min 14s"')
    phase: Duration = Field(default=0, description="how far the wave is at the clock's zero")


class Walk(Table):
    """A seeded random walk."""

    step: float = Field(gt=0, le=1e9, description="the most that two readings in a row differ by")
    least: float = Field(default=-1e9, ge=-1e9, le=1e9, description="its lowest distance from the mean")
    most: float = Field(default=1e9, ge=-1e9, le=1e9, description="its highest distance from the mean")


class Value(Table):
    """A reading: the mean, plus waves, a walk and noise, kept between least and most."""

    mean: float = Field(default=0.0, ge=-1e9, le=1e9, description="the value that all else is added to")
    decimals: int = Field(default=0, ge=0, le=9, description="digits behind the point")
    waves: list[Wave] = Field(default=[], max_length=100, description="sines, as those of a tide or of day and night")
    walk: Walk | None = Field(default=None, description="a random walk")
    noise: float = Field(default=0.0, ge=0, le=1e9, description="each reading is off by up to this")
    least: float | None = Field(default=None, ge=-1e9, le=1e9, description="the lowest reading")
    most: float | None = Field(default=None, ge=-1e9, le=1e9, description="the highest reading")


class Scenario(Table):
    """A device's work with its files, and what is expected of it."""

    title: str = Field(default="", max_length=200, description="one line for the report")
    chip: Chip = Field(description='the flash, for example part = "W25Q32JV"')
    store: StoreTable = Field(default=StoreTable(), description="where the store sits and how it is set up")
    run: RunTable = Field(description='when and how long, for example duration = "30 d"')
    values: dict[str, Value] = Field(default={}, max_length=1000, description="readings that contents may hold")
    task: list[Task] = Field(min_length=1, max_length=200, description="what the device does")
    expect: Expect = Field(default=Expect(), description="what must hold at the end")
