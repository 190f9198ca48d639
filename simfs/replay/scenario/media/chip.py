"""The table of a chip."""

from __future__ import annotations

from dataclasses import replace
from typing import Self

from pydantic import Field, field_validator, model_validator

from simfs.flash.datasheet import Datasheet
from simfs.flash.parts import GENERIC, PARTS
from simfs.replay.scenario.changed_part import key_of, part_with
from simfs.replay.scenario.fields import Duration, Period, Size, Table
from simfs.replay.scenario.near_words import did_you_mean

_CHIP_UNITS = {key_of(name): name.removeprefix(key_of(name)) for name in PARTS["generic"].sources()}


class Chip(Table):
    """The flash: a part of the catalogue, or sizes and times of your own. Give `part` or `size`. What you give beside
    `part` is taken instead of the part's figure, and reports say so. Without `part`, of the typical and the longest
    time of a program or an erase, one alone stands for both."""

    part: str | None = Field(
        default=None,
        description="a part of the catalogue (`simfs parts` lists it); each other key comes with it unless it is given",
    )
    size: Size | None = Field(
        default=None,
        description='the size of the whole chip, for example "4 MiB"; beside a part that comes in several sizes, one '
        "of these, or it is the largest",
    )
    block: Size | None = Field(
        default=None, description='the erase block, the least that one erase clears, for example "4 KiB"'
    )
    page: Size | None = Field(
        default=None, description='the page, the most that one program reaches, for example "256 B"'
    )
    program_unit: Size | None = Field(
        default=None,
        description="the least that can be programmed; above 1 B, a unit is programmed once between erases, as in "
        "flash with error correction",
    )
    page_programs_max: int | None = Field(
        default=None, ge=0, le=65_535, description="how often a page may be programmed between erases; 0 for no limit"
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
    read_byte: Duration | None = Field(default=None, description='the time to read one byte, for example "160 ns"')
    read_overhead: Duration | None = Field(
        default=None, description='the time of a read before its first byte, for example "640 ns"'
    )
    program_ua: int | None = Field(
        default=None, ge=0, le=10**7, description="the current while programming, in microamperes"
    )
    erase_ua: int | None = Field(default=None, ge=0, le=10**7, description="the current while erasing, in microamperes")
    read_ua: int | None = Field(default=None, ge=0, le=10**7, description="the current while reading, in microamperes")
    standby_ua: int | None = Field(default=None, ge=0, le=10**7, description="the current at rest, in microamperes")
    supply_mv: int | None = Field(default=None, ge=1, le=100_000, description="the supply voltage, in millivolts")
    rated_cycles: int | None = Field(
        default=None, ge=1, le=10**9, description="how many erases the datasheet promises for a block"
    )
    retention_years: int | None = Field(
        default=None,
        ge=0,
        le=1000,
        description="how many years the datasheet promises that data is kept; 0 for unknown",
    )

    @classmethod
    def left_out(cls, key: str) -> object:
        return getattr(GENERIC, key + _CHIP_UNITS.get(key, "")) if key not in ("part", "size") else None

    @field_validator("part")
    @classmethod
    def _known(cls, part: str | None) -> str | None:
        if part is not None and part not in PARTS:
            near = did_you_mean(part, PARTS)
            raise ValueError(f'there is no part "{part}" in the catalogue; {near}known are {", ".join(PARTS)}')
        return part

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if not self.part and self.size is None:
            raise ValueError('it has neither a part nor a size; write part = "W25Q32JV" or size = "4 MiB"')
        self.datasheet()
        return self

    def datasheet(self) -> Datasheet:
        """The chip's datasheet. `ValueError` where its values contradict each other."""
        own = {key + _CHIP_UNITS.get(key, ""): getattr(self, key) for key in self.model_fields_set - {"part"}}
        if self.part:
            return part_with(PARTS[self.part], own)
        for work in ("program", "erase"):  # one time alone stands for both
            for given, other in (("typ", "max"), ("max", "typ")):
                if f"{work}_{given}_ns" in own:
                    own.setdefault(f"{work}_{other}_ns", own[f"{work}_{given}_ns"])
        left_out = tuple((field, GENERIC.source) for field in GENERIC.sources() if field not in own)
        return replace(GENERIC, name="own geometry", source="the scenario", apart=left_out, **own)


class NoChip(Chip):
    """In place of a chip that a scenario leaves out."""
