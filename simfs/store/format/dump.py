"""What a block's bytes hold, in lines for people. It uses only the declaration of the format, so that it can be
compared with what the store says."""

from __future__ import annotations

from typing import Any

from simfs.store.format.declaration import (
    BLOCK_HEADER_BYTES,
    COPY_AT,
    DISCARD_AT,
    ENTRY_BYTES,
    FENCE_AT,
    KIND,
    OPEN_AT,
    is_discarded,
    is_fenced,
    parse_erase_record,
    parse_frame,
    parse_open_copy,
    parse_open_record,
    parse_tail,
)

BLANK = b"\xff"


def dump_block(raw: bytes) -> list[str]:
    """The structures in the bytes of one erase block, a line for each with its address in hex. It trusts nothing: of
    anything that is no sound structure it shows the first bytes."""
    if not raw.strip(BLANK):
        return ["0000 blank"]
    lines, salt = _header(raw)
    tail = parse_tail(raw, salt)
    stop = len(raw) - ENTRY_BYTES * (len(tail.entries) + 1) if tail else len(raw)
    lines += _frames(raw[:stop], salt)
    if tail is not None:
        for number, entry in enumerate(tail.entries):
            lines.append(
                f"{stop + ENTRY_BYTES * number:04x} run entry: {entry.kind} file {entry.file} offset {entry.offset} "
                f"order {entry.order} length {entry.length} at {entry.address:04x}"
            )
        lines.append(f"{len(raw) - ENTRY_BYTES:04x} seal: {tail.seal.entry_count} entries, end {tail.seal.end:04x}")
    return lines


def _header(raw: bytes) -> tuple[list[str], int]:
    """Everything before the frames, and the salt of what follows; 0 if no record has it."""
    erased, opened, copy = parse_erase_record(raw), parse_open_record(raw), parse_open_copy(raw)
    lines = [f"0000 erase record: count {erased.erase_count}"] if erased else _gap(raw, 0, FENCE_AT)
    lines += [f"{FENCE_AT:04x} fence"] if is_fenced(raw) else _gap(raw, FENCE_AT, OPEN_AT)
    if opened:
        lines.append(f"{OPEN_AT:04x} open record: {_opening(opened[0])}")
    else:
        lines += _gap(raw, OPEN_AT, COPY_AT)
    lines += [f"{COPY_AT:04x} short copy: {_opening(copy)}"] if copy else _gap(raw, COPY_AT, DISCARD_AT)
    if is_discarded(raw):
        lines.append(f"{DISCARD_AT:04x} discard mark")
    else:
        lines += _gap(raw, DISCARD_AT, BLOCK_HEADER_BYTES)
    return lines, opened[1] if opened else copy.salt if copy else 0


def _opening(record: Any) -> str:
    return f"base {record.base}, head {record.head}, count {record.erase_count}"


def _frames(raw: bytes, salt: int) -> list[str]:
    """Sound frames wherever they stand, and what lies between them."""
    lines = []
    at = gap = BLOCK_HEADER_BYTES
    while at < len(raw):
        frame = parse_frame(raw[at:], salt) if raw[at] in KIND.decmapping else None
        if frame is None:
            at += 1
            continue
        lines += _gap(raw, gap, at)
        head = frame.head.value
        again = f" again {head.again}" if head.again else ""
        lines.append(
            f"{at:04x} {head.kind} file {head.file} offset {head.offset} order {head.order}{again}: "
            f"{head.length} bytes {frame.payload.data[:12]!r}"
        )
        at = gap = at + 20 + head.length
    return lines + _gap(raw, gap, len(raw))


def _gap(raw: bytes, start: int, end: int) -> list[str]:
    between = raw[start:end]
    if not between:
        return []
    what = f"not sound: {between[:12].hex(' ')}" if between.strip(BLANK) else "blank"
    return [f"{start:04x} {end - start} bytes {what}"]
