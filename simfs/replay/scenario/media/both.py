"""The tables of a device that has flash and a removable card."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import BeforeValidator, Field, field_validator, model_validator

from simfs.files.both.absences import Absence, Absences
from simfs.replay.scenario.fields import Duration, Form, Moment, Name, Period, Table

ROLES = ("mirror", "buffer")
DRAIN_EVERY_NS = 3_600 * 10**9


def _listed(value: object) -> object:
    return value if isinstance(value, list) else [value]


Moments = Annotated[
    list[Moment], BeforeValidator(_listed), Field(min_length=1, max_length=1000), Form("date and time, or a list")
]
Names = Annotated[
    list[Name], BeforeValidator(_listed), Field(min_length=1, max_length=100), Form("name, or a list of names")
]


class Both(Table):
    """What the card is for, where the store is of the kind "both"."""

    role: str = Field(
        json_schema_extra={"enum": list(ROLES)},
        description='"mirror": every file operation goes to flash and card; "buffer": readings wait on the flash, and '
        "are drained to the card while it is in",
    )
    drained: Names | None = Field(
        default=None,
        description='how the names of readings begin in a buffer, for example "/log/"; they are only appended to, and '
        "all other files stay on the flash",
    )
    drain_every: Period | None = Field(
        default=None,
        description='how often a buffer is drained, for example "1 h", which it is without this key',
    )

    @field_validator("role")
    @classmethod
    def _known(cls, role: str) -> str:
        if role not in ROLES:
            raise ValueError(f'there is no role "{role}"; known are {", ".join(ROLES)}')
        return role

    @field_validator("drained")
    @classmethod
    def _from_the_root(cls, drained: list[str] | None) -> list[str] | None:
        for begin in drained or ():
            if not begin.startswith("/") or begin == "/":
                raise ValueError(f'"{begin}" begins no name of readings alone; write for example "/log/"')
        return drained

    @model_validator(mode="after")
    def _of_the_role(self) -> Self:
        if self.role == "buffer" and self.drained is None:
            raise ValueError('a buffer has to know which files are readings; write drained = "/log/"')
        given = [key for key in ("drained", "drain_every") if getattr(self, key) is not None]
        if self.role == "mirror" and given:
            raise ValueError(f"{given[0]} is for a buffer, and a mirror has every file on the card; leave it out")
        return self

    @classmethod
    def left_out(cls, key: str) -> object:
        return DRAIN_EVERY_NS if key == "drain_every" else None

    @property
    def drain_every_ns(self) -> int:
        return self.drain_every or DRAIN_EVERY_NS


class CardOut(Table):
    """When somebody takes the card out, and for how long: at moments that are listed, or again and again. Give `at` or
    `every`."""

    lasts: Period = Field(description='how long the card is out, for example "3 h"')
    at: Moments | None = Field(
        default=None, description="the moment at which it is taken out, or several, for example 2031-04-08 09:30:00"
    )
    every: Period | None = Field(default=None, description='the time from one such moment to the next, "7 d"')
    first: Duration = Field(default=0, description="how long after the start the first one is; goes only with `every`")

    @model_validator(mode="after")
    def _one_rule(self) -> Self:
        if (self.at is None) == (self.every is None):
            what = "it has at and every" if self.at else "nothing says when it is taken out"
            raise ValueError(f'{what}; write at = 2031-04-08 09:30:00, or every = "7 d"')
        if self.first and self.every is None:
            raise ValueError("first goes only with every; leave it out")
        if self.every is not None and self.every <= self.lasts:
            raise ValueError("every is no longer than lasts, so the card would never be back; write a longer every")
        return self

    def absences(self, start_ns: int) -> list[Absence]:
        """By the device's clock, in a run that starts then."""
        if self.every is not None:
            return [Absence(start_ns + self.first, self.lasts, self.every)]
        return [Absence(at_ns, self.lasts) for at_ns in self.at or ()]


def absences_of(tables: list[CardOut], start_ns: int) -> Absences:
    """All of a scenario's."""
    return Absences(tuple(one for table in tables for one in table.absences(start_ns)))
