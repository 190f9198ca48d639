"""Looks at a store's flash from outside: the frames that stand on it, found block by block without the store's help."""

from __future__ import annotations

from typing import NamedTuple

from simfs import NorFlash, Store
from simfs.store import codec
from simfs.store.codec import Kind

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
    image, size = flash.image(), flash.geometry.block_bytes
    found: list[Found] = []
    for block in range(flash.geometry.block_count):
        raw = image[block * size : (block + 1) * size]
        erase_count = codec.decode_erase_count(raw[:16])
        opened = codec.decode_open_record(raw[16:64], erase_count) if erase_count is not None else None
        if opened is not None:
            found += _frames_in(raw, block, opened[0].base, opened[1])
    return sorted(found)


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
