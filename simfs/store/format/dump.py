"""What a block's bytes hold, in lines for people. It uses only the declaration of the format, so that it can be
compared with what the store says."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from simfs.store.format.declaration import (
    ENTRY_BYTES,
    FRAME_BYTES,
    INNER_KINDS,
    KINDS,
    MAGIC,
    SEAL_BYTES,
    parse_end,
    parse_frame,
    parse_inner_frame,
    parse_tail,
    salt_of,
    statement_salt,
)
from simfs.store.format.declared_statement import (
    END_BYTES,
    NO_BLOCK,
    NOWHERE,
    mark_bytes,
    marks_at_end,
    place_around,
)

BLANK = b"\xff"
SHOWN_BYTES = 12  # of a payload, or of what is not sound
_KINDS, _INNER_KINDS = frozenset(KINDS.values()), frozenset(INNER_KINDS.values())
_STATEMENT = KINDS["STATEMENT"]


class _Part(NamedTuple):
    """A structure that takes so many bytes from an address on, in lines."""

    at: int
    length: int
    lines: list[str]


def dump_block(raw: bytes, block: int) -> list[str]:
    """The structures in the bytes of this erase block, a line for each with its address in hex. It trusts nothing: of
    anything that is no sound structure it shows the first bytes."""
    if not raw.strip(BLANK):
        return ["0000 blank"]
    parts, base = _tail(raw, block)
    statements = _statements(raw[: parts[0].at] if parts else raw, block)
    for at, frame in statements.items():
        parts.append(_statement_part(at, frame, block))
        base = int(frame.payload.value.base)
    parts += _marks(raw, statements)
    salt = None if base is None else salt_of(block, base)
    for begin, end in _between(parts, len(raw)):
        parts += _frames(raw[:end], begin, block, salt)
    parts += [part for begin, end in _between(parts, len(raw)) for part in _gap(raw, begin, end)]
    return [line for part in sorted(parts) for line in part.lines]


def _between(parts: list[_Part], end: int) -> list[tuple[int, int]]:
    """The stretches that no part takes."""
    found, at = [], 0
    for part in sorted(parts):
        if part.at > at:
            found.append((at, part.at))
        at = max(at, part.at + part.length)
    return [*found, (at, end)] if at < end else found


def _tail(raw: bytes, block: int) -> tuple[list[_Part], int | None]:
    """The run entries and the seal, wherever a sound one stands, and the base that it tells."""
    magic = MAGIC.to_bytes(2, "little")
    at = raw.rfind(magic)
    while at >= 0:
        found = parse_tail(raw[: at + SEAL_BYTES], block) if at + SEAL_BYTES <= len(raw) else None
        if found is not None:
            start, seal = at - ENTRY_BYTES * len(found.entries), found.seal
            entries = [
                _Part(place, ENTRY_BYTES, [f"{place:04x} run entry: {_entry(entry)}"])
                for place, entry in zip(range(start, at, ENTRY_BYTES), found.entries, strict=True)
            ]
            says = f"{seal.entry_count} entries, end {seal.end:04x}, next order {seal.next_order}, base {seal.base}"
            return [*entries, _Part(at, SEAL_BYTES, [f"{at:04x} seal: {says}"])], int(seal.base)
        at = raw.rfind(magic, 0, at + 1)
    return [], None


def _entry(entry: Any) -> str:
    return (
        f"{entry.first.kind} file {entry.file} offset {entry.offset} order {entry.first.order} "
        f"length {entry.length} at {entry.address:04x}"
    )


def _statements(raw: bytes, block: int) -> dict[int, Any]:
    """The frames of the sound statements, by their address."""
    found, at, salt = {}, raw.find(_STATEMENT), statement_salt(block)
    while at >= 0:
        frame = parse_frame(raw[at:], salt)
        if frame is not None:
            found[at] = frame
        at = raw.find(_STATEMENT, at + (1 if frame is None else FRAME_BYTES + frame.head.value.length))
    return found


def _statement_part(at: int, frame: Any, block: int) -> _Part:
    said, length = frame.payload.value, FRAME_BYTES + frame.head.value.length
    lines = [f"{at:04x} STATEMENT {said.base + frame.head.value.order}: {', '.join(_saying(said))}"]
    if said.inner:
        place = at + length - 4 - len(said.inner)
        inner = parse_inner_frame(said.inner, salt_of(block, said.base))
        lines.append(f"{place:04x} within it {'not sound' if inner is None else _words(inner)}")
    return _Part(at, length, lines)


def _saying(said: Any) -> Iterator[str]:
    """What a statement says, without the settings."""
    yield f"base {said.base}, head {said.head}, erase count {said.erase_count} of at most {said.erase_count_max}"
    named = (("next", said.next, said.next_erase_count), ("after", said.after, said.after_erase_count))
    for word, block, count in named:
        if block != NO_BLOCK:
            yield f"{word} block {block} with erase count {count}"
    yield f"{said.used} blocks used from {said.used_from} on"
    if said.before != NO_BLOCK:
        yield f"before it block {said.before} with base {said.before_base}"
    if said.end != NOWHERE:
        yield f"nothing counts from {said.end:04x} up to here"
    if said.other is not None and said.other.block != NO_BLOCK:
        yield f"other head in block {said.other.block}, last {said.other.last}"
        if said.other.go != NOWHERE:
            yield f"which ends at {said.other.end:04x} and goes on at {said.other.go:04x}"
    for left in said.left:
        yield f"block {left.block} with base {left.base} left at {left.end:04x}"


def _marks(raw: bytes, statements: dict[int, Any]) -> list[_Part]:
    """The marks whose places the statements tell: those around them, and those at the block's end."""
    found = {}
    for at, frame in statements.items():
        settings = frame.payload.value.settings
        size, place = mark_bytes(settings.unit_bytes), place_around(settings, at, FRAME_BYTES + frame.head.value.length)
        sealing, left = marks_at_end(settings)
        names = {place.fence: "FENCE", place.sure: "SURE", place.doubted: "DOUBTED", place.next: "NEXT"}
        names |= {sealing: "SEALING", left: "LEFT"}
        for begin, name in names.items():
            if begin is not None and raw[begin : begin + size].strip(BLANK):
                found[begin] = _Part(begin, size, [f"{begin:04x} {name}"])
    return list(found.values())


def _frames(raw: bytes, at: int, block: int, salt: int | None) -> list[_Part]:
    """Sound frames and END records from an address on, wherever they stand."""
    found = []
    while at < len(raw):
        frame = parse_frame(raw[at:], salt) if salt is not None and raw[at] in _KINDS else None
        number = None if frame or not raw[at : at + END_BYTES].strip(BLANK) else parse_end(raw[at:], block)
        if frame is not None:
            found.append(_Part(at, FRAME_BYTES + frame.head.value.length, [f"{at:04x} {_words(frame)}"]))
        elif number is not None:
            found.append(_Part(at, END_BYTES, [f"{at:04x} END of statement {number}"]))
        at += found[-1].length if frame is not None or number is not None else 1
    return found


def _words(frame: Any) -> str:
    head = frame.head.value
    return (
        f"{head.kind} file {head.file} offset {head.offset} order {head.order}: "
        f"{_size(head.length)} {frame.payload.data[:SHOWN_BYTES]!r}"
    )


def _gap(raw: bytes, start: int, end: int) -> list[_Part]:
    """What no structure takes: something, and what is blank before and behind it."""
    begin = end - len(raw[start:end].lstrip(BLANK))
    stop = max(start + len(raw[start:end].rstrip(BLANK)), begin)
    between = raw[begin:stop]
    what = f"not sound: {between[:SHOWN_BYTES].hex(' ')}" if between.strip(b"\0") else "of zeros"
    stretches = ((start, begin, "blank"), (begin, stop, what), (stop, end, "blank"))
    return [_Part(at, to - at, [f"{at:04x} {_size(to - at)} {word}"]) for at, to, word in stretches if at < to]


def _size(count: int) -> str:
    return "1 byte" if count == 1 else f"{count} bytes"
