"""What a block says of itself as its head leaves it: the runs in it, and its seal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import repeat
from operator import itemgetter
from struct import Struct
from typing import Any, NamedTuple
from zlib import crc32

from simfs.flash import NorFlash
from simfs.store.format.codec import (
    DATA,
    ENTRY,
    ENTRY_BYTES,
    MAGIC,
    SEAL_BYTES,
    U32,
    UNLISTED,
    Seal,
    encode_seal,
    salts_of,
)
from simfs.store.format.layout import Layout
from simfs.store.format.runs import DATA_BITS, KIND_BITS, KIND_MASK, PLACE_MASK, Entry, place_of
from simfs.store.log.heads import Head


class Listing(NamedTuple):
    """A sound seal, and the run entries that it lists (None: it lists none); `others` are those that are not of DATA
    frames. `salt` is that of the block by its seal."""

    seal: Seal
    entries: list[Entry] | None
    others: tuple[Entry, ...]
    salt: int


_ENTRIES = Struct(f"<QIIH{SEAL_BYTES - 2}x")  # of the last run entry and the seal: the entry, and the magic number
_SEALS = Struct(f"<{ENTRY_BYTES}x2xHIIQ4x")  # what the seal says
_CHECKED = Struct(f"<{ENTRY_BYTES + SEAL_BYTES - U32.size}sI")  # what its CRC-32 is over when it lists that entry alone
NO_ENTRIES: tuple[Entry, ...] = ()
_IS_OTHER = bytes(byte & KIND_MASK != DATA & KIND_MASK for byte in range(256))  # by an entry's byte with the kind
_new: Callable[[Any, Any], Any] = tuple.__new__  # makes a named tuple in half of the time


def seal_of(head: Head, layout: Layout) -> bytes:
    """The bytes of run entries and seal, which end where the marks at the block's end begin."""
    runs = head.table.runs
    listed = len(runs) <= layout.runs_max and head.at - head.start + len(runs) * ENTRY_BYTES <= layout.seal_at
    entries = [run.encode(head.start) for run in runs] if listed else []
    seal = Seal(len(runs) if listed else UNLISTED, head.at - head.start, head.table.next_order, head.base)
    raw = encode_seal(entries, seal, head.salt)
    return raw.ljust(len(entries) * ENTRY_BYTES + layout.seal_end - layout.seal_at, b"\xff")


def read_listing(flash: NorFlash, layout: Layout, block: int) -> Listing | None:
    """The block's seal with the runs that it lists; None when there is no sound one. One read of the seal with the
    entry before it, one more when it lists several."""
    return read_listings(flash, layout, (block,))[0]


def read_listings(flash: NorFlash, layout: Layout, blocks: Sequence[int]) -> list[Listing | None]:
    """The same of many blocks."""
    seal_at, found = layout.seal_at, list[Listing | None]([None] * len(blocks))
    low, least, most = KIND_BITS | PLACE_MASK, layout.first, seal_at - ENTRY_BYTES
    starts = [block * layout.block_bytes + most for block in blocks]
    raw = flash.read_joined(starts, ENTRY_BYTES + SEAL_BYTES)
    seals = list(map(_new, repeat(Seal), _SEALS.iter_unpack(raw)))
    salts = salts_of(blocks, map(itemgetter(3), seals))
    others: dict[int, list[_Sealed]] = {}
    for at, (salt, seal, (first, file, offset, magic), (body, check)) in enumerate(
        zip(salts, seals, _ENTRIES.iter_unpack(raw), _CHECKED.iter_unpack(raw), strict=True)
    ):
        count, end, _, _ = seal
        if count == 1 and magic == MAGIC and DATA_BITS <= first & low <= DATA_BITS + end and least <= end <= most:
            if crc32(body, salt) == check:
                found[at] = _new(Listing, (seal, [(first, file, offset)], NO_ENTRIES, salt))
        elif magic == MAGIC and least <= end <= seal_at:
            sealed = _new(_Sealed, (at, starts[at], salt, seal, (first, file, offset), body, check))
            others.setdefault(count, []).append(sealed)
    for count, alike in others.items():
        if count <= layout.runs_max or count == UNLISTED:
            _read_alike(flash, seal_at, 0 if count == UNLISTED else count, alike, found)
    return found


class _Sealed(NamedTuple):
    """A seal that is not checked yet: which one, where the `last` entry before it stands, the salt, and the bytes of
    both up to the CRC-32."""

    at: int
    start: int
    salt: int
    seal: Seal
    last: Entry
    body: bytes
    check: int


def _read_alike(flash: NorFlash, seal_at: int, listed: int, alike: list[_Sealed], found: list[Listing | None]) -> None:
    """The listings of so many runs each; reads the entries before the last ones."""
    more = max(listed - 1, 0)
    size, low = more * ENTRY_BYTES, KIND_BITS | PLACE_MASK
    raw = flash.read_joined([sealed.start - size for sealed in alike], size) if size else b""
    entries = list(ENTRY.iter_unpack(raw))
    is_other, pages = raw[3::ENTRY_BYTES].translate(_IS_OTHER), raw[1::ENTRY_BYTES]  # a byte of each entry
    has_others, upper = is_other.find(1) >= 0, max(raw[2::ENTRY_BYTES], default=0) << 16 | 0xFF
    highest = upper | max(pages, default=0) << 8  # nothing begins behind that
    for index, (at, _, salt, seal, last, body, check) in enumerate(alike):
        begin, stop, end = index * more, (index + 1) * more, seal[1]
        checked = crc32(raw[begin * ENTRY_BYTES : stop * ENTRY_BYTES], salt)
        if crc32(body if listed else body[ENTRY_BYTES:], checked) != check or end > seal_at - listed * ENTRY_BYTES:
            continue
        runs, others = entries[begin:stop], NO_ENTRIES
        if listed:
            runs.append(last)
        if (
            (has_others and is_other.find(1, begin, stop) >= 0)
            or (highest > end and upper | max(pages[begin:stop], default=0) << 8 > end)
            or not DATA_BITS <= last[0] & low <= DATA_BITS + end
        ):
            others = tuple([run for run in runs if not DATA_BITS <= run[0] & low <= DATA_BITS + end])
        if not others or max(map(place_of, others)) <= end:  # none behind the end of the frames
            found[at] = _new(Listing, (seal, runs if seal[0] != UNLISTED else None, others, salt))
