"""The flash against a naive one that handles every byte by itself, over random operations."""

from __future__ import annotations

from dataclasses import dataclass, field

from hypothesis import given, settings
from hypothesis import strategies as st

from simfs.flash import Counts, NorFlash

BLOCKS, BLOCK, PAGE = 3, 64, 16
SIZE = BLOCKS * BLOCK


class Refused(ValueError):
    pass


@dataclass
class NaiveFlash:
    """Written from the rules, not from the code: cells in a list, one loop for each rule."""

    unit: int
    programs_max: int
    strict: bool
    cells: list[int] = field(default_factory=lambda: [255] * SIZE)
    page_programs: dict[int, int] = field(default_factory=dict)
    erases: list[int] = field(default_factory=lambda: [0] * BLOCKS)
    kinds: set[str] = field(default_factory=set)
    programs: int = 0
    program_bytes: int = 0

    def program(self, address: int, data: bytes) -> None:
        if not 0 <= address < SIZE or address % self.unit or len(data) % self.unit:
            raise Refused
        if not data:
            return
        page = address // PAGE
        latch: dict[int, int] = {}
        for i, byte in enumerate(data):
            latch[page * PAGE + (address + i) % PAGE] = byte
        wrong = set()
        if address % PAGE + len(data) > PAGE:
            wrong.add("page-end")
        if self.unit == 1:
            if any(byte & ~self.cells[at] for at, byte in latch.items()):
                wrong.add("set-bit")
        elif any(self.cells[at] != 255 for at in latch):
            wrong.add("unit-again")
        if self.programs_max and self.page_programs.get(page, 0) >= self.programs_max:
            wrong.add("page-programs")
        if wrong and self.strict:
            raise Refused
        self.kinds |= wrong
        for at, byte in latch.items():
            self.cells[at] &= byte
        self.programs += 1
        self.program_bytes += len(latch)
        self.page_programs[page] = self.page_programs.get(page, 0) + 1

    def erase(self, block: int) -> None:
        if not 0 <= block < BLOCKS:
            raise Refused
        for at in range(block * BLOCK, (block + 1) * BLOCK):
            self.cells[at] = 255
            self.page_programs.pop(at // PAGE, None)
        self.erases[block] += 1


values = st.sampled_from([0x00, 0x0F, 0xF0, 0xFE, 0xFF, 0xFF])
programs = st.tuples(st.just("program"), st.integers(-2, SIZE + 2), st.lists(values, max_size=2 * PAGE + 3).map(bytes))
short_programs = st.tuples(
    st.just("program"),
    st.integers(0, SIZE // 4 - 1).map(lambda word: word * 4),
    st.lists(values, min_size=4, max_size=4).map(bytes),
)
erases = st.tuples(st.just("erase"), st.integers(-1, BLOCKS), st.just(b""))
reads = st.tuples(st.just("read"), st.integers(-2, SIZE + 2), st.integers(0, PAGE * 3).map(bytes))


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    st.lists(st.one_of(programs, short_programs, short_programs, erases, reads), max_size=40),
    st.sampled_from([1, 1, 2, 4]),
    st.sampled_from([0, 0, 2]),
    st.booleans(),
)
def test_agrees_with_the_naive_flash(
    operations: list[tuple[str, int, bytes]], unit: int, programs_max: int, strict: bool
) -> None:
    naive = NaiveFlash(unit, programs_max, strict)
    flash = NorFlash(BLOCKS, BLOCK, PAGE, strict=strict, program_unit_bytes=unit, page_programs_max=programs_max)
    for kind, where, data in operations:
        if kind == "read":
            _compare_reads(flash, naive, where, len(data))
            continue
        arguments = (where,) if kind == "erase" else (where, data)
        assert _refuses(flash, kind, *arguments) == _refuses(naive, kind, *arguments), (kind, where, data)
        assert flash.image() == bytes(naive.cells)
    assert (flash.programs, flash.program_bytes) == (naive.programs, naive.program_bytes)
    assert flash.erase_counts == naive.erases
    assert flash.erases == sum(naive.erases)
    assert set(flash.event_counts) == naive.kinds


def _refuses(flash: NorFlash | NaiveFlash, operation: str, *arguments: object) -> bool:
    try:
        getattr(flash, operation)(*arguments)
    except ValueError:
        return True
    return False


def _compare_reads(flash: NorFlash, naive: NaiveFlash, where: int, length: int) -> None:
    before = flash.counts
    if where < 0 or where + length > SIZE:
        assert _refuses(flash, "read", where, length)
        assert _refuses(flash, "blank", where, length)
        assert flash.counts == before
        return
    expected = bytes(naive.cells[where : where + length])
    assert flash.read(where, length) == expected
    assert flash.blank(where, length) == all(byte == 255 for byte in expected)
    assert flash.counts - before == Counts(reads=2 if length else 0, read_bytes=2 * length)
