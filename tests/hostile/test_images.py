"""Hostile images: refused with CorruptStore or worked with, never anything else; a sample, the goals table takes a
million."""

from __future__ import annotations

import sys
import tracemalloc
from random import Random

from simfs import CorruptStore, NorFlash, Store
from simfs.store.format.codec import KINDS, Kind
from tests.hostile import judge
from tests.hostile.inputs.anatomy import Part, put_together, take_apart
from tests.hostile.inputs.bases import SHAPES, Base, bases
from tests.hostile.inputs.images import hostile_image, run_images
from tests.hostile.judge import flash_of, judge_image

MEMORY_FACTOR = 60  # bytes of RAM that a mount may take at its worst, in images; a store's index is most of it


def test_hostile_images_are_refused_or_worked_with() -> None:
    tally = run_images(150, seed=1)
    assert tally.violations == []
    assert tally.outcomes["refused, refused"] > 25
    assert tally.outcomes["read, worked"] > 50


def test_what_the_images_are_made_from_is_sound() -> None:
    for number, base in enumerate(bases()):
        assert judge_image(base, crafted=False)[1] is None, f"base {number}"
        blocks = take_apart(base.image, SHAPES[base.shape].block_bytes)
        assert put_together(blocks) == base.image
        for left in take_apart(b"".join(block.rest for block in blocks), SHAPES[base.shape].block_bytes):
            taken = [*left.stated, *left.frames, *left.ends, *left.entries]
            assert (taken, left.seal) == ([], None), "what is taken out is gone"


def test_the_images_are_made_from_all_kinds_of_structures() -> None:
    blocks = [block for base in bases() for block in take_apart(base.image, SHAPES[base.shape].block_bytes)]
    kinds = {frame.kind for block in blocks for frame in block.frames}
    assert kinds >= KINDS - {Kind.STATEMENT, Kind.BAD, Kind.SKIP}  # a bad block is told only by a flash that fails
    assert sum(one.inner is not None for block in blocks for one in block.stated) > 5
    assert sum(bool(block.entries) for block in blocks) > 5
    assert sum(block.seal is None and bool(block.frames) for block in blocks) > 5


def test_a_mount_reads_no_more_than_the_image_is_worth() -> None:
    """Of sound stores; the hostile ones are held to a few times as much by their budget."""
    for base in bases():
        flash = flash_of(base, judge.LOOK_FACTOR)
        Store.mount(flash, read_only=True)
        assert flash.read_bytes <= 2 * len(base.image)


def test_a_mount_of_a_hole_takes_no_memory() -> None:
    """A file of 4 GiB - 1 that is one frame: a mount, a check and a read of its end take what the image is worth."""
    for shape, image in {base.shape: base.image for base in bases()[1::8]}.items():
        store = Store.mount(flash_of(Base(shape, image), judge.SESSION_FACTOR))
        name, *others = store.names()
        for other in others:
            store.remove(other)
        store.truncate(name, 2**32 - 1)
        image = store.flash.image()
        tracemalloc.start()
        try:
            again = Store.mount(flash_of(Base(shape, image), judge.SESSION_FACTOR))
            assert again.check() == []
            with again.open(name) as file:
                file.seek(-5, 2)
                assert file.read(99) == bytes(5)
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert peak < MEMORY_FACTOR * len(image)


def full_of_gaps(block_bytes: int) -> bytes:
    """An open block in which a sound frame follows each stray byte, and a header that announces 60,000 bytes stands at
    each page: what a scan that looks ahead looks at again and again."""
    flash = NorFlash(8, block_bytes, 256)
    Store.format(flash)
    blocks = take_apart(flash.image(), block_bytes)
    block = next(block for block in blocks if block.stated)
    block.frames = [
        Part(at, Kind.DATA, 1, 0, 0, b"", 60_000, sound=False)
        if at % 256 == 0
        else Part(at + 1, Kind.BAD, 7, 0, order & 0xFFFF, b"")
        for order, at in enumerate(
            at + part for at in range(256, block_bytes - 256, 256) for part in (0, *range(16, 220, 21))
        )
    ]
    return put_together(blocks)


def calls_of_a_mount(image: bytes, block_bytes: int) -> int:
    """How many functions a read-only mount calls, those of the interpreter included: its work without a clock."""
    flash = NorFlash.from_image(image, block_bytes, 256)
    calls = 0

    def count(*_: object) -> None:
        nonlocal calls
        calls += 1

    sys.setprofile(count)
    try:
        Store.mount(flash, read_only=True)
    except CorruptStore:
        pass
    finally:
        sys.setprofile(None)
    return calls


def test_a_damaged_block_is_scanned_in_time_that_goes_with_its_size() -> None:
    small, large = (calls_of_a_mount(full_of_gaps(size), size) for size in (4096, 65_536))
    assert large < 1.5 * 16 * small


def test_hostile_images_take_no_memory_to_speak_of() -> None:
    """All of it: mounts, checks, reads and writes."""
    for number in range(15):
        base = hostile_image(Random(f"memory {number}"))
        tracemalloc.start()
        try:
            judge_image(base)
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert peak < 2 * MEMORY_FACTOR * len(base.image), f"memory {number}"
