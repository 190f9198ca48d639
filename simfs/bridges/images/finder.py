"""Finds the stores in a dump by their statements. A statement has the geometry of its store, and its checks hold for
the number of its own block only, so each tells where the store begins."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

from simfs.flash import Geometry
from simfs.store.format.codec import HEADER_BYTES, NO_BLOCK, STATEMENT, decode_header, statement_salt
from simfs.store.format.settings import PAGE_PACKING
from simfs.store.format.statement import (
    Settings,
    Statement,
    decode_statement,
    first_statement_places,
    peek_settings,
)

SIZE_MAX = 1 << 28  # bytes; no NOR part is larger
STEP = 16  # every page is a multiple of it
UNITS = (1, 2, 4, 8, 16)
KIND = bytes((STATEMENT,))


@dataclass(frozen=True, slots=True)
class Place:
    """Where a store lies in a dump. `start` counts from the dump's first byte, and is below 0 if the store's beginning
    is missing."""

    start: int
    settings: Settings  # the newest ones
    blocks: int  # in which a statement agrees with them

    @property
    def size_bytes(self) -> int:
        return self.settings.block_bytes * self.settings.block_count

    @property
    def end(self) -> int:
        return self.start + self.size_bytes


class Found(NamedTuple):
    """A sound statement in a dump; `at` is where its place begins, which is a page of `block`."""

    at: int
    block: int
    said: Statement

    @property
    def geometry(self) -> Geometry:
        geometry = geometry_of(self.said.settings)
        assert geometry is not None
        return geometry

    @property
    def start(self) -> int:
        """Where its store begins if it stands in its block's first page."""
        return self.at - self.block * self.said.settings.block_bytes


def find_stores(data: bytes) -> list[Place]:
    """The stores in a dump, that with statements in the most blocks first. Looks at one in four bytes, some 0.1 s for
    16 MiB."""
    groups: list[list[Found]] = []
    for one in sorted(statements_in(data), key=lambda one: one.start):
        own = (group for group in groups if group[0].geometry == one.geometry and _may_be_of(group[0].start, one))
        group = next(own, None)
        if group is None:
            groups.append([one])
        else:
            group.append(one)
    places = [_place(group) for group in _without_replaced(groups)]
    return sorted(places, key=lambda place: (-place.blocks, place.start))


def _may_be_of(start: int, found: Found) -> bool:
    """Whether a statement may stand on a page of its block in a store that begins at `start`."""
    behind, geometry = found.start - start, found.geometry
    return 0 <= behind < geometry.block_bytes and behind % geometry.page_bytes == 0


def _place(group: list[Found]) -> Place:
    newest = max(group, key=lambda one: one.said.number)
    return Place(group[0].start, newest.said.settings, len({one.block for one in group}))


def _without_replaced(groups: list[list[Found]]) -> list[list[Found]]:
    """Without stores that began at the same place and were made anew on more or fewer blocks."""
    newest: dict[int, list[Found]] = {}
    for group in groups:
        other = newest.get(group[0].start)
        if other is None or _number(other) < _number(group):
            newest[group[0].start] = group
    return list(newest.values())


def _number(group: list[Found]) -> int:
    return max(one.said.number for one in group)


def statements_in(data: bytes) -> Iterator[Found]:
    """All sound statements, wherever a page could begin."""
    near = 0  # where the store of the last one begins
    for within in sorted({place for unit_bytes in UNITS for place in first_statement_places(unit_bytes)}):
        kinds = data[within::STEP]
        number = kinds.find(KIND)
        while number >= 0:
            found = _statement_at(data, number * STEP, within, near)
            if found is not None:
                near = found.start
                yield found
            number = kinds.find(KIND, number + 1)


def _statement_at(data: bytes, at: int, within: int, near: int) -> Found | None:
    """The statement of a place that begins at `at`, if it could be a store's; most likely of one that begins `near`."""
    settings = peek_settings(data, at + within)
    if settings is None or settings.unit_bytes not in UNITS:
        return None
    if within != first_statement_places(settings.unit_bytes)[settings.flags & PAGE_PACKING]:
        return None
    if not settings.block_count < NO_BLOCK or settings.block_bytes * settings.block_count > SIZE_MAX:
        return None
    if settings.page_bytes % STEP or geometry_of(settings) is None:
        return None
    raw = data[at : at + settings.block_bytes]
    head = raw[within : within + HEADER_BYTES]
    likely = (at - near) // settings.block_bytes
    blocks = range(settings.block_count)
    for block in (likely, *blocks) if likely in blocks else blocks:
        if decode_header(head, within, _salt(block)) is not None:
            said = decode_statement(raw, block, 0, within)
            if said is not None:
                return Found(at, block, said)
    return None


@cache
def _salt(block: int) -> int:
    return statement_salt(block)


@cache
def geometry_of(settings: Settings) -> Geometry | None:
    """The flash that these settings are for; None if there is none."""
    try:
        return Geometry(
            settings.block_count, settings.block_bytes, settings.page_bytes, settings.unit_bytes,
            settings.page_programs_max,
        )  # fmt: skip
    except ValueError:
        return None
