"""What the chip does: programs only clear bits, erases set whole blocks, misuse is refused or noted."""

from __future__ import annotations

import pytest

from simfs.flash import Counts, Geometry, NorFlash, PowerCut
from simfs.flash.faults import FaultHooks
from simfs.flash.geometry import LONGEST_QUICK_PAGE
from simfs.flash.misuse import EVENTS_KEPT, Event, ProgramError


def test_a_new_flash_is_blank() -> None:
    flash = NorFlash(block_count=3, block_bytes=4096, page_bytes=256)
    assert flash.image() == b"\xff" * 3 * 4096
    assert flash.geometry.size_bytes == 3 * 4096
    assert flash.erase_counts == [0, 0, 0]
    assert flash.counts == Counts()
    assert flash.busy_s == 0


def test_the_defaults_are_those_of_a_plain_serial_nor() -> None:
    geometry = NorFlash().geometry
    assert (geometry.block_count, geometry.block_bytes, geometry.page_bytes) == (64, 4096, 256)
    assert (geometry.program_unit_bytes, geometry.page_programs_max) == (1, 0)
    assert "invented" in NorFlash().datasheet.source


def test_program_reads_back_and_leaves_its_neighbours() -> None:
    flash = NorFlash(2)
    flash.program(300, b"\x00\x5a\xff")
    assert flash.read(299, 5) == b"\xff\x00\x5a\xff\xff"
    assert flash.image() == b"\xff" * 300 + b"\x00\x5a" + b"\xff" * (2 * 4096 - 302)


def test_program_clears_bits_and_only_bits_that_are_named() -> None:
    flash = NorFlash(1)
    flash.program(0, b"\xf0\xff\x3c")
    flash.program(0, b"\x50\xff\x00")  # clears more bits, sets none: legal in strict mode
    assert flash.read(0, 3) == b"\x50\xff\x00"
    assert flash.events == []


def test_program_is_and_when_not_strict() -> None:
    # Programming only turns 1 into 0 (IS25LP128F and W25Q128JV datasheets).
    flash = NorFlash(1, strict=False)
    flash.program(16, bytes(range(256))[:100])
    flash.program(16, b"\xa5" * 100)
    assert flash.read(16, 100) == bytes(value & 0xA5 for value in range(100))
    assert flash.events == [Event("set-bit", 16)]  # the first byte, 00h, would have got bits
    assert flash.event_counts == {"set-bit": 1}


def test_strict_refuses_to_set_a_bit_and_changes_and_counts_nothing() -> None:
    flash = NorFlash(1)
    flash.program(8, b"\xff\xff\x0f\xff")
    before = flash.image(), flash.counts
    with pytest.raises(ProgramError, match=r"program of 4 bytes at 8: only an erase can set a bit at 10"):
        flash.program(8, b"\x00\x00\x1f\x00")
    assert (flash.image(), flash.counts) == before
    assert flash.events == []


def test_past_the_page_end_strict_refuses() -> None:
    flash = NorFlash(1)
    with pytest.raises(ProgramError, match="past the page end"):
        flash.program(250, b"1234567")
    assert flash.blank(0, 4096)
    flash.program(250, b"123456")
    flash.program(256, bytes(256))
    with pytest.raises(ValueError, match="past the page end"):
        flash.program(512, bytes(257))


def test_past_the_page_end_the_part_wraps_to_the_page_start() -> None:
    # "addresses past the page end wrap to the page start" (W25Q128JV and IS25LP128F datasheets).
    flash = NorFlash(1, strict=False)
    flash.program(256 + 254, b"abcde")
    assert flash.read(256 + 254, 4) == b"ab\xff\xff"
    assert flash.read(256, 4) == b"cde\xff"
    assert flash.counts.programs == 1
    assert flash.counts.program_bytes == 5
    assert flash.events == [Event("page-end", 510)]


@pytest.mark.parametrize("start", [0, 1, 200, 255])
def test_an_over_long_program_keeps_its_last_page_worth(start: int) -> None:
    data = bytes(i * 7 % 251 for i in range(256 * 2 + 31))
    flash = NorFlash(1, strict=False)
    flash.program(start, data)
    latch = bytearray(256)
    for i, byte in enumerate(data):  # the page buffer of the part, byte by byte
        latch[(start + i) % 256] = byte
    assert flash.read(0, 256) == bytes(latch)
    assert flash.blank(256, 4096 - 256)
    assert flash.program_bytes == 256


@pytest.mark.parametrize("strict", [True, False])
def test_out_of_range_is_a_value_error_in_either_mode(strict: bool) -> None:
    flash = NorFlash(2, strict=strict)
    for address, length in ((-1, 4), (8189, 4), (8192, 1), (0, 8193), (0, -1), (9000, -900)):
        with pytest.raises(ValueError, match="0 to 8192"):
            flash.read(address, length)
        with pytest.raises(ValueError, match="0 to 8192"):
            flash.blank(address, length)
    for address in (-1, 8192, -256):
        with pytest.raises(ValueError, match="0 to 8191"):
            flash.program(address, b"x")
    for block in (-1, 2):
        with pytest.raises(ValueError, match="0 to 1"):
            flash.erase(block)
    assert flash.counts == Counts()
    assert flash.image() == b"\xff" * 8192


def test_erase_sets_its_block_and_no_other() -> None:
    flash = NorFlash(3)
    for address in range(0, 3 * 4096, 256):
        flash.program(address, bytes(256))
    flash.erase(1)
    flash.erase(1)
    assert flash.image() == bytes(4096) + b"\xff" * 4096 + bytes(4096)
    assert flash.erase_counts == [0, 2, 0]
    flash.program(4096, b"again")
    flash.erase_counts[0] = 99  # a copy
    assert flash.erase_counts == [0, 2, 0]


def test_blank() -> None:
    flash = NorFlash(4)
    flash.program(5000, b"\xfe")
    assert flash.blank(0, 5000)
    assert flash.blank(5001, 10)
    assert flash.blank(5001, 4 * 4096 - 5001)
    assert not flash.blank(4096, 4096)
    assert not flash.blank(4990, 11)
    assert flash.blank(4990, 10)
    assert flash.counts == Counts(
        reads=6, read_bytes=5000 + 10 + 4 * 4096 - 5001 + 4096 + 11 + 10, programs=1, program_bytes=1
    )


def test_counts_are_taken_where_it_happens_and_can_be_subtracted() -> None:
    flash = NorFlash(2)
    flash.program(0, b"abc")
    first = flash.counts
    flash.program(3, b"defgh")
    flash.read(0, 8)
    flash.read(100, 1)
    flash.erase(0)
    assert flash.counts - first == Counts(reads=2, read_bytes=9, programs=1, program_bytes=5, erases=1)
    assert flash.counts == Counts(reads=2, read_bytes=9, programs=2, program_bytes=8, erases=1)


def test_an_operation_of_no_bytes_does_not_reach_the_chip() -> None:
    flash = NorFlash(1)
    flash.program(10, b"")
    assert flash.read(4096, 0) == b""
    assert flash.blank(0, 0)
    assert flash.counts == Counts()


def test_read_is_a_copy() -> None:
    flash = NorFlash(1)
    kept = flash.read(0, 4)
    flash.program(0, bytes(4))
    assert isinstance(kept, bytes)
    assert kept == b"\xff" * 4


@pytest.mark.parametrize("make", [bytes, bytearray, memoryview])
def test_any_bytes_can_be_programmed(make: type) -> None:
    flash = NorFlash(1)
    flash.program(0, make(b"\x0fabc"))  # blank cells: the quick way
    flash.program(0, make(b"\x00abc"))  # the careful way
    assert flash.read(0, 4) == b"\x00abc"


class TestProgramUnits:
    """Flash with ECC: a unit is written once between erases."""

    def flash(self, strict: bool = True) -> NorFlash:
        return NorFlash(2, 4096, 256, strict=strict, program_unit_bytes=8)

    @pytest.mark.parametrize("strict", [True, False])
    @pytest.mark.parametrize(("address", "length"), [(4, 8), (0, 7), (8, 12), (1, 1)])
    def test_address_and_length_are_multiples(self, strict: bool, address: int, length: int) -> None:
        flash = self.flash(strict)
        with pytest.raises(ValueError, match="multiples of 8"):
            flash.program(address, bytes(length))
        assert flash.blank(0, 4096)

    def test_strict_refuses_a_unit_a_second_time_even_if_no_bit_would_be_set(self) -> None:
        flash = self.flash()
        flash.program(8, b"\x0f" * 8)
        with pytest.raises(ProgramError, match="not again at 8"):
            flash.program(0, bytes(16))
        assert flash.read(0, 16) == b"\xff" * 8 + b"\x0f" * 8
        flash.program(0, bytes(8))
        flash.erase(0)
        flash.program(0, bytes(16))

    def test_otherwise_the_cells_are_anded_and_each_unit_is_noted(self) -> None:
        flash = self.flash(strict=False)
        flash.program(8, b"\x0f" * 16)
        flash.program(0, b"\x55" * 32)
        assert flash.read(0, 32) == b"\x55" * 8 + b"\x05" * 16 + b"\x55" * 8
        assert flash.events == [Event("unit-again", 8), Event("unit-again", 16)]


class TestPagePrograms:
    """A page that allows a number of programs between erases."""

    def test_strict_refuses_one_too_many(self) -> None:
        flash = NorFlash(2, 1024, 256, page_programs_max=2)
        for address in (0, 10, 256, 300, 1024):
            flash.program(address, b"x")
        before = flash.image(), flash.counts
        with pytest.raises(ProgramError, match="all the programs that it allows"):
            flash.program(255, b"x")
        assert (flash.image(), flash.counts) == before
        flash.program(1030, b"x")
        flash.erase(0)
        flash.program(255, b"x")
        flash.program(0, b"x")
        with pytest.raises(ProgramError):
            flash.program(1, b"x")
        with pytest.raises(ProgramError):  # block 1 was not erased
            flash.program(1040, b"x")

    def test_an_erase_gives_every_page_of_its_block_its_programs_back_and_no_other(self) -> None:
        flash = NorFlash(3, 1024, 256, page_programs_max=1)
        for address in range(0, 3072, 256):
            flash.program(address, b"x")
        flash.erase(1)
        for address in range(1024, 2048, 256):
            flash.program(address, b"y")
        for address in (*range(0, 1024, 256), *range(2048, 3072, 256)):
            with pytest.raises(ProgramError, match="all the programs that it allows"):
                flash.program(address + 1, b"y")

    def test_otherwise_it_is_noted(self) -> None:
        flash = NorFlash(1, strict=False, page_programs_max=1)
        flash.program(0, b"x")
        flash.program(1, b"y")
        assert flash.read(0, 2) == b"xy"
        assert flash.events == [Event("page-programs", 1)]


def test_events_are_bounded_and_counted_on() -> None:
    flash = NorFlash(1, strict=False)
    flash.program(0, b"\x00")
    for _ in range(EVENTS_KEPT + 20):
        flash.program(0, b"\x01")
    flash.program(255, b"\x00\x00")
    assert len(flash.events) == EVENTS_KEPT
    assert flash.event_counts == {"set-bit": EVENTS_KEPT + 20, "page-end": 1}


def test_pages_too_long_for_the_quick_path_behave_the_same() -> None:
    page = LONGEST_QUICK_PAGE * 4
    flash = NorFlash(1, page, page)
    flash.program(1, bytes(page - 1))
    assert flash.read(0, page) == b"\xff" + bytes(page - 1)
    assert not flash.blank(0, page)
    with pytest.raises(ProgramError):
        flash.program(2, b"\x01")
    assert flash.programs == 1


class TestImages:
    def test_round_trip(self) -> None:
        flash = NorFlash(2)
        flash.program(77, b"tide")
        flash.erase(1)
        again = NorFlash.from_image(flash.image())
        assert again.image() == flash.image()
        assert again.erase_counts == [0, 0]
        assert again.counts == Counts()
        again.program(0, b"x")
        assert flash.blank(0, 1)

    def test_a_seed_is_kept_and_0_by_default(self) -> None:
        image = b"\xff" * 4096
        assert NorFlash(1).seed == NorFlash.from_image(image).seed == NorFlash.part("W25Q32JV", 1).seed == 0
        assert NorFlash(1, seed=7).seed == NorFlash.from_image(image, seed=7).seed == 7
        assert NorFlash.part("W25Q32JV", 1, seed=7).seed == 7

    @pytest.mark.parametrize("size", [0, 1, 4095, 4097, 8193])
    def test_a_size_that_is_not_whole_blocks_is_refused(self, size: int) -> None:
        with pytest.raises(ValueError, match=f"whole erase blocks of 4096 bytes, not {size} bytes"):
            NorFlash.from_image(bytes(size), block_bytes=4096, page_bytes=256)

    def test_sizes_come_from_the_datasheet_or_must_agree_with_it(self) -> None:
        sheet = NorFlash.part("generic-built-in-4K", 1).datasheet
        flash = NorFlash.from_image(b"\xff" * 8192, datasheet=sheet)
        assert (flash.geometry.block_count, flash.geometry.program_unit_bytes) == (2, 8)
        with pytest.raises(ValueError, match="block_bytes is 4096 on generic-built-in-4K, not 2048"):
            NorFlash.from_image(b"\xff" * 8192, 2048, datasheet=sheet)


class TestGeometry:
    @pytest.mark.parametrize(
        ("wrong", "field"),
        [
            ({"block_count": 0}, "block_count"),
            ({"block_bytes": 0}, "block_bytes"),
            ({"page_bytes": 0}, "page_bytes"),
            ({"page_bytes": -256}, "page_bytes"),
            ({"block_bytes": 1000}, "multiple of page_bytes"),
            ({"program_unit_bytes": 0}, "program_unit_bytes"),
            ({"program_unit_bytes": 6}, "power of two"),
            ({"page_bytes": 4, "program_unit_bytes": 8}, "multiple of program_unit_bytes"),
            ({"page_programs_max": -1}, "page_programs_max"),
        ],
    )
    def test_sizes_that_make_no_sense_are_named(self, wrong: dict[str, int], field: str) -> None:
        with pytest.raises(ValueError, match=field):
            Geometry(**{"block_count": 4, "block_bytes": 4096, "page_bytes": 256, **wrong})

    def test_the_flash_names_them_too(self) -> None:
        for wrong in ({"block_count": 0}, {"block_count": -3}, {"block_bytes": 0}, {"page_bytes": 0}):
            with pytest.raises(ValueError, match=next(iter(wrong))):
                NorFlash(**wrong)  # type: ignore[arg-type]


class CutAt:
    """A fault plan: at the given operation, counted from 0, half of it happens and the power goes."""

    def __init__(self, cut_at: int) -> None:
        self.left = cut_at
        self.asked: list[tuple[str, int, object]] = []

    def _step(self, kind: str, address: int, what: object) -> bool:
        self.asked.append((kind, address, what))
        self.left -= 1
        return self.left == -1

    def before_read(self, cells: memoryview, address: int, length: int) -> None:
        if self._step("read", address, length):
            raise PowerCut

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        if self._step("program", address, data):
            cells[address : address + len(data) // 2] = data[: len(data) // 2]
            raise PowerCut

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        if self._step("erase", address, length):
            cells[address : address + length] = bytes(length)
            raise PowerCut


class TestFaultSeam:
    def test_the_plan_is_asked_before_each_operation_and_only_about_legal_ones(self) -> None:
        plan = CutAt(1000)
        flash = NorFlash(2, faults=plan)
        flash.program(256, b"ab")
        flash.read(256, 3)
        flash.blank(0, 300)
        flash.erase(1)
        with pytest.raises(ProgramError):
            flash.program(256, b"\xff")
        assert plan.asked == [("program", 256, b"ab"), ("read", 256, 3), ("read", 0, 300), ("erase", 4096, 4096)]
        assert flash.counts == Counts(reads=2, read_bytes=303, programs=1, program_bytes=2, erases=1)

    def test_a_cut_program_leaves_what_the_plan_left_and_holds_until_power_on(self) -> None:
        flash = NorFlash(1, faults=CutAt(1))
        flash.program(0, b"abcd")
        with pytest.raises(PowerCut):
            flash.program(4, b"efgh")
        for operation in (
            lambda: flash.read(0, 1),
            lambda: flash.program(9, b"x"),
            lambda: flash.erase(0),
            lambda: flash.blank(0, 4),
        ):
            with pytest.raises(PowerCut, match="no power"):
                operation()
        assert flash.programs == 2  # the cut one was begun
        assert not flash.powered
        flash.power_on()
        assert flash.powered
        assert flash.read(0, 8) == b"abcdef\xff\xff"

    def test_a_plan_that_only_watches_takes_no_time(self) -> None:
        flash = NorFlash(2, faults=FaultHooks())
        flash.program(0, b"x")
        flash.erase(0)
        flash.read(0, 1)
        assert flash.counts == Counts(reads=1, read_bytes=1, programs=1, program_bytes=1, erases=1)

    def test_a_cut_erase_has_worn_its_block(self) -> None:
        flash = NorFlash(2, faults=CutAt(0))
        with pytest.raises(PowerCut):
            flash.erase(1)
        flash.power_on()
        assert flash.erase_counts == [0, 1]
        assert flash.read(4096, 4096) == bytes(4096)

    def test_a_power_cut_is_no_exception_that_a_handler_of_errors_swallows(self) -> None:
        assert not issubclass(PowerCut, Exception)

    def test_a_cut_read_takes_the_power_too(self) -> None:
        flash = NorFlash(1, faults=CutAt(0))
        with pytest.raises(PowerCut):
            flash.read(0, 1)
        with pytest.raises(PowerCut, match="no power"):
            flash.read(0, 1)
