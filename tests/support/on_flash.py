"""Looks at a store's flash from outside: the frames that stand on it, found block by block without the store's help."""

from __future__ import annotations

import errno
from typing import NamedTuple

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.flash.faults import FaultPlan
from simfs.store.format import codec
from simfs.store.format.codec import Kind

BEARING = (Kind.NAME, Kind.RENAME)
COPY_AT = codec.DISCARD_AT - codec.OPEN_COPY_BYTES
OPEN_AT = COPY_AT - codec.OPEN_RECORD_BYTES


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
    image, size = flash.image(), flash.geometry.block_bytes
    found: dict[int, list[Found]] = {}
    following: dict[int, int] = {}  # by head: the base of the block that it opened next
    blocks = [(*opened, block) for block in range(len(image) // size) if (opened := opening(image, size, block))]
    for base, _, head, salt, block in sorted(blocks, reverse=True):
        raw = image[block * size : (block + 1) * size]
        found[block] = _frames_in(raw, block, base, salt)
        if not codec.seal_is_sound(_tail(raw), salt) and head in following:
            found[block] = [frame for frame in found[block] if frame.sequence < following[head]]
        following[head] = base
    bad = {frame.file for frames in found.values() for frame in frames if frame.kind == Kind.BAD}
    return sorted(frame for block, frames in found.items() for frame in frames if block not in bad)


def opening(image: bytes, size: int, block: int) -> tuple[int, int, int, int] | None:
    """Base, tries, head and salt of a block that holds frames."""
    raw = image[block * size : (block + 1) * size]
    record, copy = codec.decode_open_record(raw[OPEN_AT:]), codec.decode_open_copy(raw[COPY_AT:])
    if codec.is_discarded(raw[codec.DISCARD_AT : codec.RECORD_BYTES]):
        return None
    if record is not None:
        return record[0].base, record[0].tries, record[0].head, record[1]
    return None if copy is None else (copy[0], copy[3], copy[2], copy[4])


def _tail(raw: bytes) -> bytes:
    """What would be the run entries and the seal."""
    seal = codec.decode_seal(raw[-16:])
    listed = 0 if seal is None or seal.entry_count == codec.UNLISTED else seal.entry_count
    return raw[-16 - 16 * listed :]


def _frames_in(raw: bytes, block: int, base: int, salt: int) -> list[Found]:
    """`again` says how many orders before its own never counted: a mount wrote that frame again."""
    found: list[Found] = []
    at = codec.RECORD_BYTES
    while at + codec.FRAME_BYTES <= len(raw):
        frame = codec.decode_header(raw[at : at + 16], at, salt) if raw[at] in codec.KINDS else None
        if frame is None or not codec.payload_is_sound(raw[at : at + 20 + frame.length], frame.length, salt):
            at += 1
            continue
        sequence = base + frame.order
        while found and found[-1].sequence >= sequence - frame.again:
            found.pop()
        payload, place = raw[at + 16 : at + 16 + frame.length], block * len(raw) + at
        found.append(Found(sequence, Kind(frame.kind), frame.file, frame.offset, payload, block, place))
        at += 20 + frame.length
    return found


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


def contents(store: Store) -> dict[str, bytes]:
    found = {}
    for name in store.names():
        with store.open(name) as file:
            found[name] = file.readall()
    return found


def mounted(store: Store) -> dict[str, bytes]:
    """The contents as another mount would find them."""
    return contents(Store.mount(store.flash, read_only=True))


def put(store: Store, name: str, data: bytes, mode: str = "w") -> None:
    with store.open(name, mode) as file:
        file.write(data)


def churn(store: Store, rounds: int, name: str = "churn", size: int = 200) -> None:
    """Rewrite one file over and over, so that blocks are cleaned and erased."""
    for number in range(rounds):
        put(store, name, bytes([number % 256]) * size)


SMALL = {"block_bytes": 512, "page_bytes": 64}
SETTINGS = StoreConfig(buffer_bytes=32, name_bytes=12)


def worked_store(config: StoreConfig = SETTINGS, block_count: int = 6) -> Store:
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


def outcome(image: bytes | bytearray) -> dict[str, bytes] | None:
    """What a read-only mount shows; None when it, or a read, says that something is damaged. Anything else raises."""
    try:
        return contents(Store.mount(flash_of(image), read_only=True))
    except CorruptStore:
        return None


def refusal(image: bytes | bytearray, **sizes: int) -> str:
    """The text of the CorruptStore that both ways of mounting raise; neither changes the flash."""
    texts = []
    for read_only in (True, False):
        flash = flash_of(image, **sizes)
        with pytest.raises(CorruptStore) as caught:
            Store.mount(flash, read_only=read_only)
        assert isinstance(caught.value, OSError)
        assert caught.value.errno == errno.EIO
        assert flash.image() == bytes(image)
        texts.append(str(caught.value))
    assert texts[0] == texts[1]
    return texts[0]
