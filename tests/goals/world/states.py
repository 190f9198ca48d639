"""States without power, and every way in which the power can come back."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from hashlib import blake2b
from itertools import pairwise

from tests.goals.world.chips import Chip, Group, reading, ways
from tests.goals.world.power_on import GRANULE_BYTES, Outcome
from tests.goals.world.settings import Contents, World

Choices = tuple[tuple[int, int], ...]
"""Of groups, by number, the way in which they read, by number. Those left out have not been touched."""


@dataclass(frozen=True, slots=True)
class Off:
    """A state without power: `allowed` are the contents that the store may have."""

    image: bytes
    groups: tuple[Group, ...]
    allowed: tuple[Contents, ...]

    def key(self) -> bytes:
        """States of the same key are the same: they have the same cells, weak groups and allowed contents. Every number
        that the store keeps in its cells (of sequence, of files, of erases) counts: their order says what is newest,
        and the salt of a block depends on them."""
        digest = blake2b(self.image, digest_size=16)
        for group in self.groups:
            digest.update(group.key())
        digest.update(repr(sorted(sorted(contents.items()) for contents in self.allowed)).encode())
        return digest.digest()


class Readings:
    """The distinct ways in which each group of a state may read. The first one is as before the cut."""

    def __init__(self, off: Off, world: World) -> None:
        self.off = off
        self.ways: list[list[str]] = []
        self._bytes: list[list[bytes]] = []
        self._places: list[int] = []
        for group in off.groups:
            distinct: dict[bytes, str] = {}
            for way in ways(group):
                distinct.setdefault(reading(group, way, off.image, world.profile, world.flash.geometry), way)
            self.ways.append(list(distinct.values()))
            self._bytes.append(list(distinct))
            self._places.append(sum(1 << granule for granule in _granules(group)))

    def image(self, choices: Choices) -> bytes:
        """The cells as they read then."""
        image = bytearray(self.off.image)
        for number, way in choices:
            group = self.off.groups[number]
            own = int.from_bytes(image[group.start : group.end], "little")
            own = own & ~int.from_bytes(group.mask, "little") | int.from_bytes(self._bytes[number][way], "little")
            image[group.start : group.end] = own.to_bytes(len(group.mask), "little")
        return bytes(image)

    def all_outcomes(self, run: Callable[[bytes], Outcome], given: Choices = ()) -> Iterator[tuple[Choices, Outcome]]:
        """The outcomes of all readings that can matter: of a group that a power-on does not touch they can't."""
        waiting = [given]
        while waiting:
            choices = waiting.pop()
            outcome = run(self.image(choices))
            chosen = {number for number, _ in choices}
            for number, place in enumerate(self._places):
                if number not in chosen and place & outcome.touched:
                    waiting += [(*choices, (number, way)) for way in range(1, len(self.ways[number]))]
                    choices = (*choices, (number, 0))
            yield choices, outcome


def _granules(group: Group) -> set[int]:
    return {(group.start + at) // GRANULE_BYTES for at, mask in enumerate(group.mask) if mask}


def chip_of(off: Off, world: World) -> Chip:
    return Chip(off.image, off.groups, world.profile, world.flash.geometry)


def off_after(off: Off, world: World, outcome: Outcome) -> Off:
    """Switched off after a power-on without a cut."""
    chip = chip_of(off, world)
    for noted in outcome.noted:
        chip.apply(noted)
    return Off(bytes(chip.cells), tuple(chip.groups), (outcome.left,))


def off_after_cuts(off: Off, world: World, outcome: Outcome, first: int) -> Iterator[tuple[int, Off]]:
    """The states after a cut in each change from number `first` on."""
    chip = chip_of(off, world)
    for number, noted in enumerate(outcome.noted):
        if number >= first:
            image, groups = chip.cut(noted)
            yield number, Off(image, groups, allowed_at(number, outcome, off.allowed))
        chip.apply(noted)


def allowed_at(number: int, outcome: Outcome, before: tuple[Contents, ...]) -> tuple[Contents, ...]:
    """What the store may hold after a cut in this change: the last state that was acknowledged, or the one that was
    under way. A mount acknowledges nothing before it is complete."""
    if number < outcome.mount_changes or not outcome.marks:
        return before
    end = len(outcome.noted) + 1, outcome.left
    for (_, contents), (changes, coming) in pairwise([*outcome.marks, end]):
        if number < changes:
            return (contents,) if coming == contents else (contents, coming)
    raise AssertionError("a change that nobody made")
