"""Single bits that rot: every read of a 16 KiB store is exact or an explicit error, never wrong and never silently
older. One case can't be decided and is published: of the newest frame a flipped bit may look like a program that a
power cut tore; then the store may be as it was before that frame, and as nothing else."""

from __future__ import annotations

from functools import cache
from random import Random
from typing import NamedTuple

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.store.format import codec
from tests.hostile.inputs.anatomy import take_apart
from tests.hostile.tally import Tally
from tests.support.rotten_files import Files, files_of, is_excused, is_told

BLOCKS, BLOCK_BYTES = 8, 2048
BITS = BLOCKS * BLOCK_BYTES * 8


class Rotting(NamedTuple):
    """A sound image; what it holds, what it held before its newest frame, and where that frame stands."""

    image: bytes
    files: Files
    before: Files
    newest: range


@cache
def rotting_store() -> Rotting:
    """16 KiB that have been cleaned and erased, and are two thirds full; all kinds of frames are on it."""
    store = Store.format(NorFlash(BLOCKS, BLOCK_BYTES, 256), StoreConfig(reserve_blocks=2))
    random = Random(7)
    for number in range(260):
        _put(store, f"/log/{number % 5}", random.randbytes(random.randrange(20, 60)), "a" if number % 48 else "w")
        if number % 40 == 0:
            _put(store, "/settings", random.randbytes(120), "w")
    _put(store, "/old", b"old")
    store.rename("/old", "/new")
    _put(store, "/gone", b"gone")
    store.remove("/gone")
    with store.open("/new", "r+") as file:
        file.seek(40)
        file.write(b"behind a gap")
    before = files_of(store)
    _put(store, "/settings", random.randbytes(37), "a")
    image = store.flash.image()
    return Rotting(image, files_of(store), before, _newest(image))


def _put(store: Store, name: str, data: bytes, mode: str = "w") -> None:
    with store.open(name, mode) as file:
        file.write(data)


def _newest(image: bytes) -> range:
    frames = [
        (block.counts_from + frame.order, at * BLOCK_BYTES + frame.at, codec.FRAME_BYTES + len(frame.payload))
        for at, block in enumerate(take_apart(image, BLOCK_BYTES))
        for frame in block.frames
        if block.counts_from is not None
    ]
    _, start, length = max(frames)
    return range(start, start + length)


def run_flips(step: int = 1, first: int = 0, last: int = BITS, writable: bool = False) -> Tally:
    """Flip every `step`-th bit of the 16 KiB from bit `first` up to `last`, one at a time; all 131,072 as it stands.
    `writable`: the mount may write, and a second mount has to find the same."""
    tally, rotting = Tally(), rotting_store()
    image = bytearray(rotting.image)
    for bit in range(first, last, step):
        image[bit // 8] ^= 1 << bit % 8
        outcome = _outcome(image, rotting, bit // 8 in rotting.newest, writable)
        image[bit // 8] ^= 1 << bit % 8
        place = f"run_flips: byte {bit // 8:#x} bit {bit % 8}: {outcome}"
        tally.note(outcome, None if outcome in ("exact", "told", "published") else place)
    return tally


def _outcome(image: bytearray, rotting: Rotting, in_newest: bool, writable: bool) -> str:
    flash = NorFlash.from_image(image, BLOCK_BYTES, 256)
    try:
        store = Store.mount(flash, read_only=not writable)
        found = files_of(store)
        if is_excused(found, rotting.files, store.damages):
            return "told"
        if writable and files_of(Store.mount(flash)) != found:
            return "a second mount finds something else"
    except CorruptStore:
        return "told"
    if found == rotting.files:
        return "exact"
    if is_told(found, rotting.files):
        return "told"
    if in_newest and (found == rotting.before or is_told(found, rotting.before)):
        return "published"
    return "wrong or older without a word"
