"""A part whose cut programs may spoil their whole pages, and a store with page packing: two cuts in a row, the second
one in the recovery from the first, and whatever may be left of both pages is never taken for anything sound."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import count

from simfs import CorruptStore, NorFlash, PowerCut, Store, StoreConfig
from simfs.flash import FaultHooks
from tests.support.whole_files import contents, put

PAGE, BLOCK = 128, 2048


def a_flash() -> NorFlash:
    return NorFlash(10, BLOCK, PAGE)


def _left(old: bytes, at: int, data: bytes) -> list[bytes]:
    """What a page may read as after a cut in a program of these bytes: as before, as if it had been done, all blank,
    blank in these bytes, or spoiled in its last one."""
    own_blank = old[:at] + b"\xff" * len(data) + old[at + len(data) :]
    return [old, _anded(old, at, data), b"\xff" * PAGE, own_blank, old[:-1] + b"\x7f"]


def _anded(old: bytes, at: int, data: bytes) -> bytes:
    own = bytes(a & b for a, b in zip(old[at:], data, strict=False))
    return old[:at] + own + old[at + len(own) :]


class Cutting(FaultHooks):
    """Cuts the power in the program with this number; notes what each page got, and which blocks were erased."""

    def __init__(self, cut: int | None) -> None:
        self.cut, self.programs, self.erased = cut, list[tuple[int, bytes]](), set[int]()
        self.hit: tuple[int, bytes] | None = None

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        if len(self.programs) == self.cut:
            self.hit = address, bytes(data)
            raise PowerCut
        self.programs.append((address, bytes(data)))

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self.erased.add(address // BLOCK)


@dataclass
class Chip:
    """Cells without power. `weak`: by page, what it may read as, over the zeros programmed since."""

    image: bytes
    weak: dict[int, list[bytes]] = field(default_factory=dict)

    def session(self, work: Callable[[NorFlash], object], cut: int | None = None) -> tuple[Chip, bool]:
        """The chip after a session that is cut in this program; whether it came to that."""
        hooks = Cutting(cut)
        flash = NorFlash.from_image(self.image, datasheet=a_flash().datasheet, faults=hooks)
        with suppress(PowerCut):
            work(flash)
        weak = {at: ways for at, ways in self.weak.items() if at // BLOCK not in hooks.erased}
        for address, data in hooks.programs:
            page = address - address % PAGE
            if page in weak:
                weak[page] = [_anded(way, address - page, data) for way in weak[page]]
        after = Chip(flash.image(), weak)
        if hooks.hit is not None:
            address, data = hooks.hit
            page = address - address % PAGE
            old = after.image[page : page + PAGE]
            after.weak[page] = _left(old, address - page, data)
        return after, hooks.hit is not None

    def readings(self) -> Iterator[Chip]:
        """Every way in which it may read at the next power-on."""
        images = [self.image]
        for page, ways in self.weak.items():
            images = [one[:page] + way + one[page + PAGE :] for one in images for way in dict.fromkeys(ways)]
        for image in images:
            yield Chip(image, dict(self.weak))


def _append(flash: NorFlash) -> None:
    put(Store.mount(flash), "b", b"b")


def _write_c(flash: NorFlash) -> None:
    put(Store.mount(flash), "c", b"c")


def test_two_cuts_that_spoil_their_pages_lose_nothing() -> None:
    """Whatever the recoveries take the pages for, what is written after them stays."""
    flash = a_flash()
    put(Store.format(flash, StoreConfig(packing="page", name_bytes=8)), "a", b"a")
    judged, known = dict[bytes, str](), list[Chip]()
    for once in _all_cuts(Chip(flash.image()), _append):
        for twice in _all_cuts(once, Store.mount):
            if twice in known:
                continue
            known.append(twice)
            for last in twice.session(_write_c)[0].readings():
                if last.image not in judged:
                    judged[last.image] = _problem(last)
    assert len(judged) > 400
    assert set(judged.values()) == {""}


def _all_cuts(chip: Chip, work: Callable[[NorFlash], object]) -> Iterator[Chip]:
    """The chip, cut in each program of this session, in every way in which it may read then."""
    for cut in count():
        off, was_cut = chip.session(work, cut)
        if not was_cut:
            return
        yield from off.readings()


def _problem(chip: Chip) -> str:
    try:
        found = contents(Store.mount(NorFlash.from_image(chip.image, datasheet=a_flash().datasheet)))
    except CorruptStore as error:
        return str(error)
    return "" if (found["a"], found["c"]) == (b"a", b"c") else f"it holds {found}"
