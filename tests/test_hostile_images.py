"""Hostile images: refused with CorruptStore or worked with, never anything else; a sample, the goals table takes a
million."""

from __future__ import annotations

import tracemalloc

from hostile import judge
from hostile.anatomy import put_together, take_apart
from hostile.bases import SHAPES, Base, bases
from hostile.images import run_images
from hostile.judge import flash_of, judge_image

from simfs import Store
from simfs.store.codec import KINDS

MEMORY_FACTOR = 60  # bytes of RAM that a mount may take at its worst, in images; a store's index is most of it


def test_hostile_images_are_refused_or_worked_with() -> None:
    tally = run_images(250, seed=1)
    assert tally.violations == []
    assert tally.outcomes["refused, refused"] > 40
    assert tally.outcomes["read, worked"] > 75


def test_what_the_images_are_made_from_is_sound() -> None:
    for number, base in enumerate(bases()):
        assert judge_image(base)[1] is None, f"base {number}"
        assert put_together(take_apart(base.image, SHAPES[base.shape].block_bytes)) == base.image


def test_the_images_are_made_from_all_kinds_of_structures() -> None:
    blocks = [block for base in bases() for block in take_apart(base.image, SHAPES[base.shape].block_bytes)]
    kinds = {frame.kind for block in blocks for frame in block.frames}
    assert kinds >= KINDS - {0x66}  # a bad block is told only by a flash that fails
    assert sum(bool(block.entries) for block in blocks) > 5
    assert sum(block.seal is None and bool(block.frames) for block in blocks) > 5


def test_a_mount_reads_no_more_than_the_image_is_worth() -> None:
    """Of sound stores; the hostile ones are held to ten times as much by their budget."""
    for base in bases():
        flash = flash_of(base, judge.MOUNT_READ_FACTOR)
        Store.mount(flash, read_only=True)
        assert flash.read_bytes <= judge.MOUNT_READ_FACTOR / 10 * len(base.image)


def test_a_mount_of_a_hole_takes_no_memory() -> None:
    """A file of 4 GiB - 1 that is one frame: a mount, a check and a read of its end take what the image is worth."""
    for shape, image in {base.shape: base.image for base in bases()[1::7]}.items():
        store = Store.mount(flash_of(Base(shape, image), judge.SESSION_FACTOR))
        name = store.names()[0]
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
