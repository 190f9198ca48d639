"""Programs that a firmware must not ask of a flash: refused in strict mode, noted otherwise."""

from __future__ import annotations

from typing import NamedTuple

from simfs.flash.geometry import Geometry

EVENTS_KEPT = 1000

MISUSE = {
    "set-bit": "only an erase can set a bit",
    "page-end": "data goes past the page end, programmed",
    "unit-again": "a program unit can be programmed once between erases, not again",
    "page-programs": "the page has had all the programs that it allows between erases",
}


class ProgramError(ValueError):
    """A program that strict mode refuses; nothing has changed, and nothing was counted."""


class Event(NamedTuple):
    """What a part did with a program that strict mode would have refused.

    kind: "set-bit" (old AND new kept; the first such byte), "page-end" (wrapped to the page start), "unit-again" (a
    program unit not blank was programmed, old AND new kept), "page-programs" (one program more than the page allows).
    """

    kind: str
    address: int


Landing = tuple[list[tuple[int, bytes]], list[Event]]
"""The bytes of a program by address, and what is wrong with them there but for the number of programs."""


def check_read(address: int, length: int, geometry: Geometry) -> None:
    """ValueError unless a read lies within the flash."""
    size = geometry.size_bytes
    if length < 0 or not 0 <= address <= size - length:
        raise ValueError(f"a read must lie within 0 to {size}, not {length} bytes from {address}")


def check_place(address: int, length: int, geometry: Geometry) -> None:
    """ValueError where no program can be: out of range, or not in whole program units."""
    unit, size = geometry.program_unit_bytes, geometry.size_bytes
    if not 0 <= address < size:
        raise ValueError(f"address must be from 0 to {size - 1}, not {address}")
    if address % unit or length % unit:
        raise ValueError(f"address and length must be multiples of {unit}, not {length} bytes from {address}")


def refuse_or_note(
    misuse: list[Event], address: int, length: int, strict: bool, events: list[Event], counts: dict[str, int]
) -> None:
    """ProgramError of a strict flash. Else the events are counted, and the first EVENTS_KEPT of all are kept."""
    if misuse and strict:
        what = "; ".join(f"{MISUSE[kind]} at {at}" for kind, at in misuse)
        raise ProgramError(f"program of {length} bytes at {address}: {what}")
    for event in misuse:
        counts[event.kind] = counts.get(event.kind, 0) + 1
    events += misuse[: EVENTS_KEPT - len(events)]


def anded(old: bytes | bytearray | memoryview, new: bytes) -> bytes:
    """The cells after a program: old AND new, of equal length."""
    return (int.from_bytes(old, "little") & int.from_bytes(new, "little")).to_bytes(len(new), "little")


def wrapped(address: int, data: bytes, page_bytes: int) -> list[tuple[int, bytes]]:
    """Where the bytes go: past the page end they continue at its start, and the last page's worth of them stays."""
    kept = data[-page_bytes:]
    first = address - address % page_bytes
    start = (address + len(data) - len(kept)) % page_bytes
    pieces = [(first + start, kept[: page_bytes - start]), (first, kept[page_bytes - start :])]
    return [piece for piece in pieces if piece[1]]


def landing(address: int, data: bytes, cells: bytearray, geometry: Geometry) -> Landing:
    """Where the bytes of a program land."""
    page_bytes, unit = geometry.page_bytes, geometry.program_unit_bytes
    past_end = address % page_bytes + len(data) > page_bytes
    pieces = wrapped(address, data, page_bytes) if past_end else [(address, data)]
    misuse = [Event("page-end", address)] if past_end else []
    for start, piece in pieces:
        misuse += misuse_of(start, piece, cells, unit)
    return pieces, misuse


def misuse_of(address: int, data: bytes, cells: bytearray, unit: int) -> list[Event]:
    """What is wrong with these bytes on these cells: a program unit not blank, or else a bit that would be set."""
    length = len(data)
    if cells.startswith(b"\xff" * length, address):
        return []
    if unit > 1:
        used = (at for at in range(address, address + length, unit) if not cells.startswith(b"\xff" * unit, at))
        return [Event("unit-again", at) for at in used]
    old = cells[address : address + length]
    if anded(old, data) == data:
        return []
    return [Event("set-bit", address + next(at for at, new in enumerate(data) if old[at] & new != new))]
