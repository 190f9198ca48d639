"""Sound stores, small ones, some that a power cut left behind, and some that went on after one: what hostile images are
made from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from random import Random
from typing import NamedTuple

from simfs import NorFlash, PowerCut, Store, StoreConfig
from simfs.flash.datasheet import Datasheet
from simfs.flash.parts import GENERIC


class Shape(NamedTuple):
    """The chip that an image is for."""

    block_bytes: int
    page_bytes: int
    unit_bytes: int = 1
    page_programs_max: int = 0

    def datasheet(self) -> Datasheet:
        return replace(
            GENERIC,
            block_bytes=self.block_bytes,
            page_bytes=self.page_bytes,
            program_unit_bytes=self.unit_bytes,
            page_programs_max=self.page_programs_max,
        )


SHAPES = (Shape(512, 64), Shape(1024, 64), Shape(1024, 128, unit_bytes=8), Shape(1024, 256, page_programs_max=8))


class Base(NamedTuple):
    """A store's image, and the chip it is for (a place in SHAPES)."""

    shape: int
    image: bytes


_SMALL = StoreConfig(buffer_bytes=32, name_bytes=12)
_SETUPS = (
    (0, 7, _SMALL),
    (0, 8, replace(_SMALL, log_heads=2, fold_case=True, overlong="cut")),
    (1, 6, replace(_SMALL, buffer_bytes=64, idle_cleaning=True, cleaner="cost-benefit")),
    (1, 6, StoreConfig(packing="page", buffer_bytes=100, reserve_blocks=2, name_bytes=24, level_threshold=2)),
    (2, 7, replace(_SMALL, cleaner="best-of-d", level_threshold=1)),
    (3, 8, StoreConfig(buffer_bytes=64, name_bytes=16, log_heads=2, cleaner="random")),
)
_NAMES = ("a", "log", "settings", "B", "z" * 11)


@cache
def bases() -> tuple[Base, ...]:
    """Each setup new, after few operations, after many, after a cut, with few long runs, which seals list, and after
    two cuts with a mount behind each."""
    found = []
    for number, (shape, block_count, config) in enumerate(_SETUPS):
        for operate, rounds, cut_at in (
            (_operate, 0, None), (_operate, 12, None), (_operate, 90, None), (_operate, 60, 70 + number),
            (_operate, 40, 40 + 7 * number), (_grow, 70, None), (_grow, 70, 60 + 5 * number),
        ):  # fmt: skip
            random = Random(rounds + number)
            found.append(Base(shape, _worked(SHAPES[shape], block_count, config, random, rounds, cut_at, operate)))
        random = Random(number)
        image = _worked(SHAPES[shape], block_count, config, random, 60, 75 + number, _operate)
        image = _gone_on(SHAPES[shape], image, random, 30 + number)
        found.append(Base(shape, _gone_on(SHAPES[shape], image, random, None)))
    return tuple(found)


class _CutAt:
    """Lets the power go in the middle of a program or an erase, counted from the start."""

    def __init__(self, countdown: int) -> None:
        self.countdown = countdown

    def before_read(self, cells: memoryview, address: int, length: int) -> None: ...

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        if self._is_due():
            half = len(data) // 2 + 1
            cells[address : address + half] = bytes(a & b for a, b in zip(cells[address:], data[:half], strict=False))
            raise PowerCut

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        if self._is_due():
            cells[address : address + length // 2] = b"\xff" * (length // 2)
            raise PowerCut

    def _is_due(self) -> bool:
        self.countdown -= 1
        return self.countdown < 0


def _worked(
    shape: Shape,
    block_count: int,
    config: StoreConfig,
    random: Random,
    rounds: int,
    cut_at: int | None,
    operate: Callable[[Store, Random], None],
) -> bytes:
    plan = None if cut_at is None else _CutAt(cut_at)
    flash = NorFlash(block_count, datasheet=shape.datasheet(), faults=plan)
    try:
        store = Store.format(flash, config)
        for _ in range(rounds):
            operate(store, random)
    except PowerCut:
        pass
    return flash.image()


def _gone_on(shape: Shape, image: bytes, random: Random, cut_at: int | None) -> bytes:
    """The image after a mount and a few operations more, up to another cut."""
    plan = None if cut_at is None else _CutAt(cut_at)
    flash = NorFlash.from_image(image, datasheet=shape.datasheet(), faults=plan)
    try:
        store = Store.mount(flash)
        for _ in range(10):
            _operate(store, random)
    except PowerCut:
        pass
    return flash.image()


def _grow(store: Store, random: Random) -> None:
    """One file that grows, and is begun anew when the store is full."""
    data = random.randbytes(random.randrange(20, 90))
    try:
        with store.open("log", "a") as file:
            file.write(data)
    except OSError:
        with store.open("log", "w") as file:
            file.write(data)


def _operate(store: Store, random: Random) -> None:
    name, other = random.choice(_NAMES), random.choice(_NAMES)
    try:
        what = random.randrange(10)
        if what < 7 or not store.exists(name):
            mode = random.choice("wwaa") if not store.exists(name) else random.choice(("w", "a", "a", "r+"))
            with store.open(name, mode) as file:
                if mode == "r+":
                    file.seek(random.randrange(200))
                file.write(random.randbytes(random.randrange(1, 90)))
        elif what == 7:
            store.rename(name, other)
        elif what == 8:
            store.truncate(name, random.randrange(150))
        else:
            store.remove(name)
    except OSError:
        pass  # it is full
