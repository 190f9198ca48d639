"""The table of a removable card."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from simfs.fat.card.sheet import SECTOR_BYTES, CardSheet
from simfs.fat.format.making import plan
from simfs.replay.scenario.fields import CardSize, Period, Size, Table

USUAL = CardSheet()


class CardTable(Table):
    """The card. What you leave out is typical of cards; no maker publishes what goes on inside one, so take your own
    measurements where you have them. The time of a sector on the wires comes on top of a read or a write."""

    size: CardSize = Field(default=1 << 30, description='the size of the card, for example "8 GiB"')
    cluster: Size | None = Field(
        default=None,
        description='the least that is given to a file, for example "4 KiB"; without it, what suits the size',
    )
    clock_khz: int = Field(
        default=USUAL.clock_hz // 1000, ge=100, le=200_000, description="the clock of the one data line, in kHz"
    )
    read_typ: Period = Field(default=USUAL.read_typ_ns, description="the typical time of reading a sector")
    write_typ: Period = Field(default=USUAL.write_typ_ns, description="the typical time of writing a sector")
    write_max: Period = Field(default=USUAL.write_max_ns, description="the longest time of writing a sector")
    read_ua: int = Field(default=USUAL.read_ua, ge=0, le=10**7, description="the current of a read, in microamperes")
    write_ua: int = Field(default=USUAL.write_ua, ge=0, le=10**7, description="the current of a write, in microamperes")
    standby_ua: int = Field(default=USUAL.standby_ua, ge=0, le=10**7, description="the current at rest, in uA")
    supply_mv: int = Field(default=USUAL.supply_mv, ge=1, le=100_000, description="the supply voltage, in millivolts")
    fills: int = Field(
        default=USUAL.fills, ge=1, le=10**9, description="how often the whole card can be written, by its maker"
    )
    inner_least: int = Field(
        default=USUAL.inner_least,
        ge=1,
        le=10**6,
        description="how many sectors' worth of memory the card programs for each sector that is written: at least",
    )
    inner_most: int = Field(default=USUAL.inner_most, ge=1, le=10**6, description="the same: at most")

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.size % SECTOR_BYTES:
            raise ValueError(f"a card is whole sectors of {SECTOR_BYTES} bytes, and {self.size} bytes are not")
        if self.write_max < self.write_typ:
            raise ValueError("write_max is less than write_typ; the longest time is at least the typical one")
        if self.inner_most < self.inner_least:
            raise ValueError("inner_most is less than inner_least; write the least and the most")
        plan(self.size // SECTOR_BYTES, self.cluster)
        return self

    def sheet(self) -> CardSheet:
        """The card's figures. A read takes at most what the specification allows."""
        return CardSheet(
            name="as in the scenario" if self.model_fields_set - {"size", "cluster"} else USUAL.name,
            clock_hz=self.clock_khz * 1000,
            read_typ_ns=self.read_typ,
            write_typ_ns=self.write_typ,
            write_max_ns=self.write_max,
            read_ua=self.read_ua,
            write_ua=self.write_ua,
            standby_ua=self.standby_ua,
            supply_mv=self.supply_mv,
            fills=self.fills,
            inner_least=self.inner_least,
            inner_most=self.inner_most,
        )
