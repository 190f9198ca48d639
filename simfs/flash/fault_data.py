"""Faults as data: what is to go wrong, where and when. The same seed does the same to the same bytes everywhere."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.flash.interrupted import Profile, check_leaves
from simfs.flash.wear import Worn

OPERATIONS = ("read", "program", "erase")


def _check(field: str, value: object, choices: tuple[str, ...]) -> None:
    if value not in choices:
        raise ValueError(f"{field} must be one of {', '.join(map(repr, choices))}, not {value!r}")


def _check_number(field: str, value: int | None) -> None:
    if value is not None and value < 0:
        raise ValueError(f"{field} must be 0 or more, not {value}")


@dataclass(frozen=True, slots=True)
class Cut:
    """The power is cut in operation number `at`, counted from 0 since the plan began. `of` says which operations are
    counted: changes (programs and erases), one kind, or all. `leaves` is one of PROGRAM_LEAVES or ERASE_LEAVES; for a
    read it does not matter."""

    at: int
    leaves: str = "nothing"
    of: str = "change"

    def __post_init__(self) -> None:
        _check_number("at", self.at)
        _check("of", self.of, ("change", *OPERATIONS, "operation"))
        check_leaves(self.leaves)


@dataclass(frozen=True, slots=True)
class Error:
    """The chip reports that read, program or erase number `at` failed, counted from 0 since the plan began; with
    `block` only those that touch this block are counted. Once, or `for_ever` from there on. `leaves` is as for a
    Cut."""

    operation: str
    at: int = 0
    block: int | None = None
    for_ever: bool = False
    leaves: str = "nothing"

    def __post_init__(self) -> None:
        _check("operation", self.operation, OPERATIONS)
        _check_number("at", self.at)
        _check_number("block", self.block)
        check_leaves(self.leaves)


@dataclass(frozen=True, slots=True)
class Flip:
    """A bit that flips, once, before operation number `at` (of all kinds, from 0)."""

    address: int
    bit: int
    at: int = 0

    def __post_init__(self) -> None:
        for field in ("address", "bit", "at"):
            _check_number(field, getattr(self, field))
        if self.bit > 7:
            raise ValueError(f"bit must be from 0 to 7, not {self.bit}")


@dataclass(frozen=True, slots=True)
class Rot:
    """Each bit flips with this chance: at each "read" of it, or at each "power-on" of the flash."""

    chance: float
    at: str = "power-on"

    def __post_init__(self) -> None:
        if not 1e-18 <= self.chance <= 1:
            raise ValueError(f"chance must be from 1e-18 to 1, not {self.chance}")
        _check("at", self.at, ("read", "power-on"))


@dataclass(frozen=True, slots=True)
class Faults:
    """The faults of a flash: `NorFlash(faults=Plan(Faults(...)))`. ValueError names what makes no sense.

    `profile` holds for cuts; an operation that fails spoils only its own bits. What `leaves` does not fix is drawn from
    the seed and the address, so the same bits of the same place fail again.

    `weak` says when the bits that interrupted changes left half done may change their reading: never (""), at each
    "power-on", or at each "read" of them.
    """

    seed: int = 0
    profile: Profile = Profile.PROGRAM
    cuts: tuple[Cut, ...] = ()
    errors: tuple[Error, ...] = ()
    flips: tuple[Flip, ...] = ()
    rot: tuple[Rot, ...] = ()
    worn: Worn | None = None
    weak: str = ""

    def __post_init__(self) -> None:
        _check("weak", self.weak, ("", "power-on", "read"))
