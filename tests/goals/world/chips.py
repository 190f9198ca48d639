"""A flash without power: its cells, the groups of cells that cuts have left weak, and how each group may read.

The cells of a group are kept as they were before the cut, so that a state does not depend on what they read as
meanwhile: at every power-on a group may read in any of its ways. This is no weaker than a cut that leaves something and
cells that read so, as ones or as zeros later. The groups do not overlap: a cell that two cuts have hit belongs to the
later one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from simfs.flash import Geometry
from simfs.flash.interrupted import Profile, left_by, spoiled
from simfs.flash.trace import Change

AS_BEFORE = "as before"
PROGRAM_READS = ("nothing", "all", "bits half", "bytes 1", "bytes LAST")
ERASE_READS = ("nothing", "all", "weak", "zeros half", "zeros WHOLE", "raised few", "raised HALF", "rising half")
OLDER_READS = {"nothing", "all", "bits half", "zeros half"}
"""What a group may read as when it has been through a power-on already."""


class Noted(NamedTuple):
    """A change as it reached the chip, and what the cells that a cut in it may spoil read before."""

    change: Change
    before: bytes


@dataclass(frozen=True, slots=True)
class Group:
    """The cells that one cut left weak: those with ones in `mask`, from address `start` on."""

    start: int
    mask: bytes
    change: Change
    fresh: bool  # the next power-on is its first

    @property
    def end(self) -> int:
        return self.start + len(self.mask)

    def within(self, start: int, end: int) -> bool:
        """Whether any of its cells lie between these addresses."""
        first, last = max(start, self.start), min(end, self.end)
        return first < last and any(self.mask[first - self.start : last - self.start])

    def key(self) -> bytes:
        """What tells it from other groups: cells that are sound again do not."""
        data = self.change.data
        place = b"%d %d %d " % (self.start, self.fresh, self.change.address)
        return place + self.mask + (b"" if data is None else data)


def ways(group: Group) -> list[str]:
    """The ways in which its cells may read: first as before the cut, then what an interrupted change may leave, by the
    names of the fault data. Some may be the same."""
    data = group.change.data
    length = len(group.mask if data is None else data)
    numbers = {"LAST": length - 1, "WHOLE": length, "HALF": length // 2}
    names = ERASE_READS if data is None else PROGRAM_READS
    chosen = [name for name in names if group.fresh or name in OLDER_READS]
    return [AS_BEFORE, *(" ".join(str(numbers.get(word, word)) for word in name.split()) for name in chosen)]


def reading(group: Group, way: str, image: bytes, profile: Profile, geometry: Geometry) -> bytes:
    """The bytes from the start of the group on, zeros but for its cells."""
    if way == AS_BEFORE:
        return _and(image[group.start : group.end], group.mask)
    start, left = left_by(group.change, image, way, 0, profile, geometry)
    assert start == group.start
    return _and(left, group.mask)


def _number(data: bytes | bytearray) -> int:
    return int.from_bytes(data, "little")


def _and(one: bytes | bytearray, other: bytes) -> bytes:
    return (_number(one) & _number(other)).to_bytes(len(one), "little")


def _less(one: bytes, other: bytes) -> bytes:
    return (_number(one) & ~_number(other)).to_bytes(len(one), "little")


class Chip:
    """Cells and weak groups, which follow the changes of one power-on."""

    def __init__(self, image: bytes, groups: Iterable[Group], profile: Profile, geometry: Geometry) -> None:
        self.cells = bytearray(image)
        self.groups = [Group(group.start, group.mask, group.change, False) for group in groups]
        self._profile, self._geometry = profile, geometry

    def apply(self, noted: Noted) -> None:
        """The change is done: cells that it clears, or erases, are sound."""
        address, data = noted.change
        size = self._geometry.block_bytes
        kept = bytes(size) if data is None else data
        self.groups = list(_without(self.groups, address, _less(b"\xff" * len(kept), kept)))
        if data is None:
            self.cells[address : address + size] = b"\xff" * size
        else:
            end = address + len(data)
            self.cells[address:end] = _and(self.cells[address:end], data)

    def cut(self, noted: Noted) -> tuple[bytes, tuple[Group, ...]]:
        """The cells and groups if the power is cut in this change."""
        change = noted.change
        start, end = spoiled(change, self._profile, self._geometry)
        cells, mask = bytearray(self.cells), b"\xff" * (end - start)
        if change.data is not None and self._profile is Profile.PROGRAM:
            mask = self._to_clear(change.address, change.data)
            change = Change(start, _less(b"\xff" * len(mask), mask))
            cells[start:end] = (_number(cells[start:end]) | _number(mask)).to_bytes(end - start, "little")
        else:
            cells[start:end] = noted.before
        groups = list(_without(self.groups, start, mask))
        if any(mask):
            groups.append(Group(start, mask, change, True))
        return bytes(cells), tuple(sorted(groups, key=lambda group: (group.start, group.mask)))

    def _to_clear(self, start: int, data: bytes) -> bytes:
        """The cells that a program is to clear and that are not soundly clear yet."""
        not_clear = bytearray(self.cells[start : start + len(data)])
        for group in self.groups:
            for at in range(max(start, group.start), min(start + len(data), group.end)):
                not_clear[at - start] |= group.mask[at - group.start]
        return _less(bytes(not_clear), data)


def _without(groups: Iterable[Group], start: int, cells: bytes) -> Iterator[Group]:
    """The groups less the cells that are ones in `cells`, which begins at `start`."""
    for group in groups:
        first, last = max(group.start, start), min(group.end, start + len(cells))
        if first >= last:
            yield group
            continue
        mask = bytearray(group.mask)
        within = slice(first - group.start, last - group.start)
        mask[within] = _less(bytes(mask[within]), cells[first - start : last - start])
        if any(mask):
            change = group.change
            yield Group(group.start, bytes(mask), change, group.fresh)
