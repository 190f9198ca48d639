"""Looks at a store's flash from outside: the frames that stand on it, found block by block without the store's help."""

from __future__ import annotations

import errno
from dataclasses import replace
from typing import NamedTuple
from zlib import crc32

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.flash.faults import FaultPlan
from simfs.store.format.codec import (
    FRAME_BYTES,
    HEADER_BYTES,
    INNER,
    KINDS,
    MAGIC,
    NOWHERE,
    SEAL,
    SEAL_BYTES,
    U32,
    Kind,
    Seal,
    decode_header,
    payload_is_sound,
    salt_of,
)
from simfs.store.format.settings import PAGE_PACKING
from simfs.store.format.statement import Left, Statement, decode_statement
from simfs.store.recovery.mount import refuse_damage
from tests.support.whole_files import contents, put

BEARING = (Kind.NAME, Kind.RENAME)


class Found(NamedTuple):
    """A sound frame: `sequence` is its place in the one order of all frames."""

    sequence: int
    kind: Kind
    file: int
    offset: int
    payload: bytes
    block: int
    address: int


def frames_on(flash: NorFlash) -> list[Found]:
    """All frames that count, dead ones included, in the order in which they were written."""
    stated = statements_on(flash)
    ruling = ruling_on(flash)
    image, size = flash.image(), flash.geometry.block_bytes
    used = {(ruling.used_from + at) % (len(image) // size) for at in range(ruling.used)} - set(ruling.named)
    counted: dict[int, list[Found]] = {}
    told: list[tuple[int, Left]] = []
    for block in used:
        raw = image[block * size : (block + 1) * size]
        base = stated[block][0].base if stated[block] else _sealed_base(raw, block)
        if base is None:
            continue
        frames = _frames_in(raw, block, base, stated[block])
        voids = _voids(size, stated[block], frames, ruling if block == ruling.other.block else None)
        counted[block] = [frame for frame in frames if not _is_void(frame.address % size, voids)]
        told += [
            (said.number, left) for said in stated[block] if not _is_void(said.address, voids) for left in said.left
        ]
        told += [(frame.sequence, _left_of(frame)) for frame in counted[block] if frame.kind in (Kind.LEFT, Kind.BAD)]
    for block, left in {left.block: left for _, left in sorted(told)}.items():
        if block in counted and (not left.end or left.base == stated[block][0].base):
            counted[block] = [frame for frame in counted[block] if frame.address % size < left.end]
    return sorted(frame for frames in counted.values() for frame in frames if frame.kind != Kind.SKIP)


def statements_on(flash: NorFlash) -> dict[int, list[Statement]]:
    """The sound statements in each block, in the order of their addresses."""
    image, size = flash.image(), flash.geometry.block_bytes
    return {
        block: _statements_in(image[block * size : (block + 1) * size], block) for block in range(len(image) // size)
    }


def ruling_on(flash: NorFlash) -> Statement:
    """The statement with the highest number."""
    found = [said for block in statements_on(flash).values() for said in block]
    return max(found, key=lambda said: said.number)


def lead_of(flash: NorFlash) -> int:
    """The block in which the ruling statement stands."""
    ruling = ruling_on(flash)
    return next(block for block, stated in statements_on(flash).items() if ruling in stated)


def opening(image: bytes, size: int, block: int) -> Statement | None:
    """The first statement of a block, which says its base and its head."""
    stated = _statements_in(image[block * size : (block + 1) * size], block)
    return stated[0] if stated else None


def _statements_in(raw: bytes, block: int) -> list[Statement]:
    found: list[Statement] = []
    at = raw.find(Kind.STATEMENT)
    while at >= 0:
        said = decode_statement(raw, block, 0, at)
        if said is not None and (not found or said.base == found[0].base):
            found.append(replace(said, at=_place_of(said)))
        at = raw.find(Kind.STATEMENT, at + 1)
    return found


def _place_of(said: Statement) -> int:
    """The page with which the statement's place begins. With page packing the FENCE has the page before it."""
    page = said.settings.page_bytes
    begins = said.address - said.address % page
    return max(begins - page, 0) if said.settings.flags & PAGE_PACKING else begins


def decode_seal(raw: bytes) -> Seal | None:
    """The fields in a seal's 24 bytes. They count only if `seal_check` of entries and seal says so."""
    magic, *fields = SEAL.unpack_from(raw)
    return Seal(*fields) if magic == MAGIC else None


def seal_check(raw: bytes, salt: int) -> bool:
    """Whether the CRC-32 at the end of run entries and seal holds."""
    return crc32(raw[: -U32.size], salt) == int.from_bytes(raw[-U32.size :], "little")


def _sealed_base(raw: bytes, block: int) -> int | None:
    """The base in a block's seal, wherever that stands."""
    at = raw.rfind(MAGIC.to_bytes(2, "little"))
    while at >= 0:
        seal = decode_seal(raw[at : at + SEAL_BYTES].ljust(SEAL_BYTES, b"\0"))
        if seal is not None:
            entries = raw[at - 16 * (seal.entry_count % 0xFFFF) : at]
            if seal_check(entries + raw[at : at + SEAL_BYTES].ljust(SEAL_BYTES, b"\0"), salt_of(block, seal.base)):
                return seal.base
        at = raw.rfind(MAGIC.to_bytes(2, "little"), 0, at + 1)
    return None


def _frames_in(raw: bytes, block: int, base: int, stated: list[Statement]) -> list[Found]:
    """Sound frames, SKIP and those within statements included, in the order of their addresses."""
    found: list[Found] = []
    salt, inner = salt_of(block, base), {said.inner for said in stated}
    at = 0
    while at + FRAME_BYTES <= len(raw):
        kind = raw[at] ^ INNER if at in inner else raw[at]
        frame = decode_header(raw[at : at + HEADER_BYTES], at, salt) if kind in KINDS else None
        if frame is None or not payload_is_sound(raw[at : at + FRAME_BYTES + frame.length], frame.length, salt):
            at += 1
            continue
        payload, place = raw[at + HEADER_BYTES : at + HEADER_BYTES + frame.length], block * len(raw) + at
        found.append(Found(base + frame.order, Kind(frame.kind), frame.file, frame.offset, payload, block, place))
        at += FRAME_BYTES + frame.length
    return found


def _voids(size: int, stated: list[Statement], frames: list[Found], ruling: Statement | None) -> list[tuple[int, int]]:
    """The stretches of a block in which nothing counts; what stands in one says of no other. `ruling`: it may say so of
    this block, which is the other head's."""
    said = [(one.at, one.end) for one in stated if one.end != NOWHERE]
    said += [(frame.address % size, U32.unpack(frame.payload)[0]) for frame in frames if frame.kind == Kind.SKIP]
    if ruling is not None and ruling.other.go != NOWHERE:
        said.append((ruling.other.go, ruling.other.end))
    voids: list[tuple[int, int]] = []
    for at, end in sorted(said, reverse=True):
        if not _is_void(at, voids):
            voids.append((end, at))
    return voids


def _is_void(address: int, voids: list[tuple[int, int]]) -> bool:
    return any(begin <= address < end for begin, end in voids)


def _left_of(frame: Found) -> Left:
    """What a LEFT or BAD frame says of a block."""
    return Left(frame.file, int.from_bytes(frame.payload, "little"), frame.offset)


def claims_on(flash: NorFlash) -> dict[bytes, list[tuple[int, int | None]]]:
    """By name, in the order in which they were written: (place, number of the file that bears it; None: the name is
    free)."""
    claims: dict[bytes, list[tuple[int, int | None]]] = {}
    for frame in frames_on(flash):
        name, _, old = frame.payload.partition(b"\0")
        if frame.kind in BEARING:
            claims.setdefault(name, []).append((frame.address, frame.file))
        if frame.kind == Kind.REMOVE:
            claims.setdefault(name, []).append((frame.address, None))
        if frame.kind == Kind.RENAME:
            claims.setdefault(old, []).append((frame.address, None))
    return claims


def mounted(store: Store) -> dict[str, bytes]:
    """The contents as another mount would find them."""
    return contents(Store.mount(store.flash, read_only=True))


def churn(store: Store, rounds: int, name: str = "churn", size: int = 200) -> None:
    """Rewrite one file over and over, so that blocks are cleaned and erased."""
    for number in range(rounds):
        put(store, name, bytes([number % 256]) * size)


SMALL = {"block_bytes": 512, "page_bytes": 64}
SETTINGS = StoreConfig(buffer_bytes=32, name_bytes=12)


def worked_store(config: StoreConfig = SETTINGS, block_count: int = 8) -> Store:
    """A small store with all kinds of frames on it, which has cleaned and erased."""
    store = Store.format(NorFlash(block_count, **SMALL), config)
    put(store, "log", b"0123456789" * 12)
    put(store, "b", b"b" * 40)
    churn(store, 25, size=70)
    store.rename("b", "settings")
    with store.open("log", "r+") as file:
        file.seek(150)
        file.write(b"behind a gap")
    put(store, "gone", b"gone")
    store.remove("gone")
    return store


def flash_of(image: bytes | bytearray, faults: FaultPlan | None = None, **sizes: int) -> NorFlash:
    return NorFlash.from_image(image, faults=faults, **{**SMALL, **sizes})


def outcome(image: bytes | bytearray, read_only: bool = False) -> dict[str, bytes] | None:
    """What a mount shows; None when it, or a read, says that something is damaged. Anything else raises. A read-only
    mount says it of the store, and shows what is sound."""
    try:
        store = Store.mount(flash_of(image), read_only)
        return None if store._volume.state.damages else contents(store)
    except CorruptStore:
        return None


def refusal(image: bytes | bytearray, **sizes: int) -> str:
    """The text of the CorruptStore that a mount raises; it doesn't change the flash. A read-only one raises the same,
    or mounts and knows of the same damage."""
    texts = []
    for read_only in (True, False):
        flash = flash_of(image, **sizes)
        with pytest.raises(CorruptStore) as caught:
            refuse_damage(Store.mount(flash, read_only=read_only).volume.state)
        assert isinstance(caught.value, OSError)
        assert caught.value.errno == errno.EIO
        assert flash.image() == bytes(image)
        texts.append(str(caught.value))
    assert texts[0] == texts[1]
    return texts[0]
