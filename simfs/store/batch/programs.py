"""What appends that are done together leave for the notes: page programs, and what changes of blocks took."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

from simfs.flash.datasheet import Datasheet


class Programs(NamedTuple):
    """Page programs of frames one after the other. `alike`: (programs of a frame, how many frames took so many)."""

    each: tuple[int, ...]
    total: int
    alike: tuple[tuple[int, int], ...]
    alike_later: tuple[tuple[int, int], ...]  # of all frames but the first

    @property
    def most(self) -> int:
        """Programs of the frame that took most; there must be one."""
        return self.alike[-1][0]

    def first(self, count: int) -> Programs:
        """Of the first frames alone."""
        return self if count == len(self.each) else programs_in_all(self.each[:count])


@lru_cache(maxsize=4096)
def programs_of(at_in_page: int, pitch: int, padded: int, count: int, page_bytes: int) -> Programs:
    """The programs of `count` frames of `padded` bytes that begin every `pitch` bytes."""
    places = range(at_in_page, at_in_page + pitch * count, pitch)
    return programs_in_all(tuple((at % page_bytes + padded + page_bytes - 1) // page_bytes for at in places))


@lru_cache(maxsize=4096)
def programs_in_all(each: tuple[int, ...]) -> Programs:
    """Programs of frames, added up."""
    return Programs(each, sum(each), _alike(each), _alike(each[1:]))


def _alike(each: tuple[int, ...]) -> tuple[tuple[int, int], ...]:
    return tuple((value, each.count(value)) for value in sorted(set(each)))


NO_PROGRAMS = programs_in_all(())


class Turn(NamedTuple):
    """What a change of blocks took."""

    reads: int
    read_bytes: int
    programs: int
    erases: int
    cleanings: int


class Filled(NamedTuple):
    """Appends that went into one block, one behind the other."""

    programs: Programs  # of their frames
    turn: Turn | None  # in the first of them, before its frame
    live_bytes: int  # the store's, after the last of them
    live_bytes_after: Callable[[int], int]  # each of them, counted from 0

    def took_ns(self, which: int, sheet: Datasheet) -> int:
        """The time that one of them took: program, erase and read."""
        busy_ns = self.programs.each[which] * sheet.program_typ_ns
        turn = self.turn
        if which or turn is None:
            return busy_ns
        busy_ns += turn.programs * sheet.program_typ_ns + turn.erases * sheet.erase_typ_ns
        return busy_ns + turn.reads * sheet.read_overhead_ns + turn.read_bytes * sheet.read_byte_ns
