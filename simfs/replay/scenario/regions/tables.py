"""The tables by which a file shares the chip out: `[[region]]`, and `[releases]`."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from simfs.replay.scenario.fields import AnySize, Period, Size, Table

TURNS_MAX = 65_536

_ONLY = {  # the keys that say something of some regions only: what these hold, and what the key is about
    "of": (("update",), "which program an update brings"),
    "used": (("program",), "how large a program is"),
    "grows_per_release": (("program",), "how a program grows"),
    "rewritten_every": (("program", "update", "parameters"), "how often the firmware writes a region anew"),
    "turns": (("parameters",), "where parameters are written in turn"),
}


class Region(Table):
    """A stretch of the chip that is set apart for one thing. With regions, one of them holds the store, and `[store]`
    has neither start nor size."""

    name: str = Field(min_length=1, max_length=40, description='its name, for example "settings"')
    holds: Literal["program", "update", "parameters", "store", "spare"] = Field(
        description='what is in it: "program" code that runs, "update" the next program until it takes the place of '
        'the one that runs, "parameters" values that the firmware writes by itself, "store" the files, "spare" '
        "nothing, and it is to stay free"
    )
    start: AnySize | None = Field(
        default=None,
        description='where it begins in the chip, for example "0x100000"; without it, at the first place behind the '
        "region before that `align` allows",
    )
    size: Size | None = Field(
        default=None,
        description='how large it is, in whole erase blocks, for example "640 KiB"; without it, up to the next start '
        "that is given, or to the end of the chip",
    )
    align: Size | None = Field(
        default=None,
        description='it begins at a multiple of this, in whole erase blocks, for example "64 KiB"; without it, of '
        "one erase block",
    )
    of: str | None = Field(
        default=None,
        description="of an update: the name of the program that it brings; without it, of the only program there is",
    )
    used: Size | None = Field(
        default=None, description="of a program: how large it is today; without it, it fills its region"
    )
    grows_per_release: AnySize = Field(
        default=0, description='of a program: how much larger each release makes it, for example "6 KiB"'
    )
    rewritten_every: Period | None = Field(
        default=None,
        description='how often it is written anew, for example "6 h"; without it, an update and its program are with '
        "each release, and other regions never",
    )
    turns: int = Field(
        default=1,
        ge=1,
        le=TURNS_MAX,
        description="of parameters: into how many equal parts the region is divided, which are written in turn, so "
        "that each writing erases only one of them",
    )

    @model_validator(mode="after")
    def _fitting(self) -> Self:
        for key, (holding, about) in _ONLY.items():
            if key in self.model_fields_set and self.holds not in holding:
                raise ValueError(f'{key} says {about}, and "{self.name}" holds "{self.holds}"; leave it out')
        if self.grows_per_release and self.used is None:
            raise ValueError("it grows, and nobody knows from which size on; write used, the program's size today")
        return self


class Releases(Table):
    """The firmware's releases that are still to come, for regions."""

    planned: int = Field(
        default=0, ge=0, le=10_000, description="how many are to come; program and update must still fit after them"
    )
    every: Period | None = Field(
        default=None, description='how often there is one, for example "90 d"; each writes the update and its program'
    )
