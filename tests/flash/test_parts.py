"""The catalogue against the published figures, and what counts cost by them."""

from __future__ import annotations

import random
from dataclasses import fields, replace

import pytest

from simfs.flash import Counts, Datasheet, NorFlash
from simfs.flash.parts import GENERIC, PARTS

KIB, MS = 1024, 1_000_000

# name: size KiB, block KiB, page program ms typ/max, erase ms typ/max, cycles, retention years; copied from the
# documents named, by hand and in their own units. None: not in the document.
PUBLISHED: dict[str, tuple[int, int, float | None, float | None, float, float, int, int | None]] = {
    # ISSI IS25LP080D Rev B4 2018, as cited by a document
    "IS25LP080D": (1024, 4, 0.2, 0.8, 70, 300, 100_000, 20),
    "IS25LP080D/32K": (1024, 32, 0.2, 0.8, 100, 500, 100_000, 20),
    "IS25LP080D/64K": (1024, 64, 0.2, 0.8, 150, 1000, 100_000, 20),
    # Macronix PM1307 Rev 1.1 2007
    "KH25L8005": (1024, 4, 1.4, 5, 60, 120, 100_000, None),
    "KH25L8005/64K": (1024, 64, 1.4, 5, 1000, 2000, 100_000, None),
    # Winbond W25Q32JV datasheet, revision not seen
    "W25Q32JV": (4096, 4, 0.4, 3, 45, 400, 100_000, 20),
    "W25Q32JV/32K": (4096, 32, 0.4, 3, 120, 1600, 100_000, 20),
    "W25Q32JV/64K": (4096, 64, 0.4, 3, 150, 2000, 100_000, 20),
    # Microchip DS20005119J; the page program is from memory
    "SST26VF064B": (8192, 4, None, None, 18, 25, 100_000, 100),
    "SST26VF064B/32K": (8192, 32, None, None, 18, 25, 100_000, 100),
    "SST26VF064B/64K": (8192, 64, None, None, 18, 25, 100_000, 100),
    # Winbond W25Q128JV Rev M Dec-2024
    "W25Q128JV": (16384, 4, 0.4, 3, 45, 400, 100_000, 20),
    "W25Q128JV/32K": (16384, 32, 0.4, 3, 120, 1600, 100_000, 20),
    "W25Q128JV/64K": (16384, 64, 0.4, 3, 150, 2000, 100_000, 20),
    # ISSI IS25LP128F Rev A8, automotive
    "IS25LP128F-A3": (16384, 4, 0.2, 0.8, 100, 300, 100_000, 20),
    "IS25LP128F-A3/32K": (16384, 32, 0.2, 0.8, 140, 500, 100_000, 20),
    "IS25LP128F-A3/64K": (16384, 64, 0.2, 0.8, 170, 1000, 100_000, 20),
    # M25P128 Rev 3 Dec-2007: 10,000 cycles; its times are from memory
    "M25P128": (16384, 256, 2.5, 7, 2000, 6000, 10_000, 20),
    # ISSI IS25LD040: 200,000 cycles, page 2 ms, any erase at most 10 ms; its retention is from memory
    "IS25LD040": (512, 4, 2, 2, 10, 10, 200_000, None),
    "IS25LD040/32K": (512, 32, 2, 2, 10, 10, 200_000, None),
    "IS25LD040/64K": (512, 64, 2, 2, 10, 10, 200_000, None),
}
INVENTED = {"generic", "generic-built-in-serial", "generic-built-in-4K", "generic-built-in-128K"}


@pytest.mark.parametrize("name", PUBLISHED)
def test_a_part_is_as_published(name: str) -> None:
    size, block, program_typ, program_max, erase_typ, erase_max, cycles, years = PUBLISHED[name]
    sheet = PARTS[name]
    assert (sheet.name, sheet.size_bytes, sheet.block_bytes, sheet.page_bytes) == (name, size * KIB, block * KIB, 256)
    assert (sheet.erase_typ_ns, sheet.erase_max_ns) == (erase_typ * MS, erase_max * MS)
    assert sheet.rated_cycles == cycles
    if program_typ is not None and program_max is not None:
        assert (sheet.program_typ_ns, sheet.program_max_ns) == (program_typ * MS, program_max * MS)
    if years is not None:
        assert sheet.retention_years == years


def test_the_catalogue_holds_these_and_the_invented_ones_which_say_so() -> None:
    assert set(PARTS) == set(PUBLISHED) | INVENTED
    for name, sheet in PARTS.items():
        assert ("invented" in sheet.source) == (name in INVENTED)
        assert sheet.name == name


FROM_MEMORY = {
    "SST26VF064B": {"program_typ_ns", "program_max_ns", "program_ua", "erase_ua"},
    "M25P128": {"program_typ_ns", "program_max_ns", "erase_typ_ns", "erase_max_ns", "program_ua", "erase_ua", "read_ua",
                "standby_ua"},
    "IS25LD040": {"read_byte_ns", "read_overhead_ns", "standby_ua", "retention_years"},
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(PARTS))
def test_every_figure_has_a_source_and_what_is_from_memory_says_so(name: str) -> None:
    sources = PARTS[name].sources()
    told = {"name", "source", "sizes_bytes", "apart", "serial", "built_in"}
    assert sources.keys() == {field.name for field in fields(Datasheet)} - told
    assert all(sources.values())
    memory = {field for field, source in sources.items() if "from memory" in source}
    assert memory == FROM_MEMORY.get(name.partition("/")[0], set())


def test_sources_that_are_not_the_datasheet() -> None:
    assert PARTS["IS25LP080D"].sources()["read_ua"] == PARTS["IS25LP128F-A3"].source
    assert PARTS["W25Q32JV"].sources()["supply_mv"] == "common practice, no source"
    clock = "8 clocks at 50 MHz, at which the read current is given; Winbond W25Q32JV datasheet, revision not seen"
    assert PARTS["W25Q32JV"].sources()["read_byte_ns"] == clock
    assert PARTS["IS25LD040"].sources()["erase_typ_ns"].endswith("; no typical, the maximum stands for both")
    assert PARTS["KH25L8005"].sources()["retention_years"] == "not stated"


def test_the_invented_parts_stay_as_they_are() -> None:
    """Chosen in round figures; most scenarios rest on them. The serial one reads at 50 MHz: 8 clocks a byte, 32 for
    command and address."""
    serial = (4096, 4, 0.5, 3, 50, 400, 8000 // 50, 32000 // 50, 20, 20, 10, 10, 100_000, 20)
    small = (512, 4, 1, 3, 20, 40, 10, 0, 5, 5, 2, 1, 10_000, 10)
    large = (2048, 128, 1, 3, 1000, 2000, 10, 0, 5, 5, 2, 1, 10_000, 10)
    for name, figures in (("generic", serial), ("generic-built-in-4K", small), ("generic-built-in-128K", large)):
        sheet = PARTS[name]
        assert (sheet.size_bytes / KIB, sheet.block_bytes / KIB) == figures[:2]
        assert (sheet.program_typ_ns / MS, sheet.program_max_ns / MS) == figures[2:4]
        assert (sheet.erase_typ_ns / MS, sheet.erase_max_ns / MS) == figures[4:6]
        assert (sheet.read_byte_ns, sheet.read_overhead_ns) == figures[6:8]
        assert (sheet.program_ua / 1000, sheet.erase_ua / 1000, sheet.read_ua / 1000, sheet.standby_ua) == figures[8:12]
        assert (sheet.rated_cycles, sheet.retention_years) == figures[12:]
        assert (sheet.page_bytes, sheet.supply_mv) == (256, 3300)


def test_built_in_flash() -> None:
    small, large = PARTS["generic-built-in-4K"], PARTS["generic-built-in-128K"]
    assert small.rated_cycles == large.rated_cycles == 10_000  # common practice, no source
    assert (small.program_unit_bytes, small.block_bytes) == (8, 4 * KIB)
    assert (large.program_unit_bytes, large.block_bytes) == (16, 128 * KIB)
    assert small.sources()["rated_cycles"] == large.sources()["rated_cycles"] == "common practice, no source"


def test_serial_flash_built_in_comes_in_five_sizes() -> None:
    sheet = PARTS["generic-built-in-serial"]
    assert [size // KIB // KIB for size in sheet.sizes_bytes] == [1, 2, 4, 8, 16]
    assert sheet.size_bytes == max(sheet.sizes_bytes)
    assert sheet.rated_cycles == 10_000  # common practice, no source
    assert sheet.sources()["rated_cycles"] == "common practice, no source"
    own = {"name", "source", "size_bytes", "sizes_bytes", "rated_cycles", "apart", "built_in"}
    alike = [field.name for field in fields(Datasheet) if field.name not in own]
    assert [getattr(sheet, name) for name in alike] == [getattr(GENERIC, name) for name in alike]
    for size_bytes in sheet.sizes_bytes:
        assert NorFlash.part(sheet.name, size_bytes // sheet.block_bytes).geometry.size_bytes == size_bytes


def test_typical_erase_times_agree_with_the_parameters_stored_in_the_chip() -> None:
    """JESD216 DW10 of an IS25LP128F is 0x00A94262: typicals round up to the unit (IS25LP128F datasheet)."""
    dw10 = 0x00A94262
    units_ms = (1, 16, 128, 1000)
    for shift, name in ((4, "IS25LP128F-A3"), (11, "IS25LP128F-A3/32K"), (18, "IS25LP128F-A3/64K")):
        bits = dw10 >> shift & 0x7F
        unit = units_ms[bits >> 5]
        stored_ms = ((bits & 0x1F) + 1) * unit
        assert stored_ms - unit < PARTS[name].erase_typ_ns / MS <= stored_ms


def test_read_rate_is_an_eighth_of_the_clock() -> None:
    # One-bit read rate = MHz/8 MB/s. W25Q32JV at 50 MHz: 6.25 MB/s; 4 KiB with 4 bytes of command and address.
    assert Counts(reads=1, read_bytes=4096).read_ns(PARTS["W25Q32JV"]) == 4100 * 1000 / 6.25
    for name, mhz in (("KH25L8005", 66), ("SST26VF064B", 104), ("IS25LP128F-A3", 80), ("M25P128", 50)):
        assert Counts(reads=1, read_bytes=10**6).read_ns(PARTS[name]) == pytest.approx(8e9 / mhz, rel=0.005), name


# name: clock of reads MHz, read mA, program and erase mA, standby micro-amperes; by hand from the same documents.
# IS25LP080D: read and program current are those of IS25LP128F-A3. From memory: all of M25P128's but the clock; clock
# and standby of IS25LD040; the program current of SST26VF064B.
CURRENTS = {
    "IS25LP080D": (133, 8, 25, 8),
    "KH25L8005": (66, 8, 15, 10),
    "W25Q32JV": (50, 8, 20, 10),
    "SST26VF064B": (104, 15, 25, 15),
    "W25Q128JV": (50, 8, 20, 10),
    "IS25LP128F-A3": (80, 8, 25, 8),
    "M25P128": (50, 8, 20, 100),
    "IS25LD040": (33, 10, 15, 10),
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_currents_and_clock_are_as_published_whatever_the_block(name: str) -> None:
    sheet, (mhz, read_ma, program_ma, standby_ua) = PARTS[name], CURRENTS[name.partition("/")[0]]
    assert (sheet.read_ua, sheet.standby_ua) == (1000 * read_ma, standby_ua)
    assert sheet.program_ua == sheet.erase_ua == 1000 * program_ma
    assert abs(sheet.read_byte_ns * mhz - 8000) <= mhz / 2  # 8 clocks, to the nearest ns
    assert abs(sheet.read_overhead_ns * mhz - 32000) <= mhz / 2  # command and address are 4 bytes
    assert sheet.supply_mv == 3300


def test_energy_is_current_times_supply_times_time() -> None:
    # W25Q32JV: 20 mA for 0.4 ms and 45 ms, 8 mA at 50 MHz; at 3.3 V that is 26.4 uJ, 2.97 mJ, 4.224 nJ a byte.
    sheet = PARTS["W25Q32JV"]
    assert Counts(programs=1, program_bytes=7).energy_nj(sheet) == 26_400
    assert Counts(erases=1).energy_nj(sheet) == 2_970_000
    assert Counts(read_bytes=1000).energy_nj(sheet) == 4_224
    assert Counts(reads=1).energy_nj(sheet) == 17  # 16.896 to the nearest
    assert Counts(reads=100).energy_nj(sheet) == 1_690  # divided once, not 100 times 17


def test_busy_time_is_program_and_erase_at_typical_or_maximum_times() -> None:
    flash = NorFlash.part("W25Q32JV", 4)
    for address in range(0, 4096, 256):
        flash.program(address, bytes(256))
    flash.program(4096, b"x")
    flash.erase(0)
    flash.erase(1)
    flash.read(0, 4096)
    assert flash.counts.busy_ns(flash.datasheet) == 17 * 400_000 + 2 * 45_000_000
    assert flash.counts.busy_max_ns(flash.datasheet) == 17 * 3_000_000 + 2 * 400_000_000
    assert flash.busy_s == pytest.approx(0.0968, abs=1e-12)


def test_time_and_energy_do_not_depend_on_the_order() -> None:
    """Integers, so that any order and any grouping of the same operations gives the same sums, bit for bit."""
    chance = random.Random(6)
    steps = [Counts(1, chance.randrange(5000), 1, chance.randrange(257), chance.randrange(2)) for _ in range(300)]
    for sheet in PARTS.values():
        totals = set()
        for _ in range(4):
            chance.shuffle(steps)
            cut = chance.randrange(300)
            parts = [_sum(steps[:cut]), _sum(steps[cut:])]
            total = _sum(parts)
            totals.add((total.busy_ns(sheet), total.busy_max_ns(sheet), total.read_ns(sheet), total.energy_nj(sheet)))
            assert sum(part.busy_ns(sheet) for part in parts) == total.busy_ns(sheet)
            assert sum(step.read_ns(sheet) for step in steps) == total.read_ns(sheet)
            assert abs(sum(part.energy_nj(sheet) for part in parts) - total.energy_nj(sheet)) <= 1
        assert len(totals) == 1
        assert all(type(value) is int for value in totals.pop())


def _sum(counts: list[Counts]) -> Counts:
    total = Counts()
    for each in counts:
        total = total - (Counts() - each)
    return total


class TestPart:
    def test_whole_or_window(self) -> None:
        assert NorFlash.part("W25Q32JV").geometry.size_bytes == 4 * KIB * KIB
        window = NorFlash.part("W25Q32JV", block_count=16)
        assert window.geometry.size_bytes == 64 * KIB
        assert window.datasheet is PARTS["W25Q32JV"]

    def test_the_generic_part_is_as_large_as_the_flash(self) -> None:
        for count in (1, 2, 64):
            assert NorFlash(count).datasheet.size_bytes == count * 4 * KIB

    def test_an_unknown_name_lists_the_known_ones(self) -> None:
        with pytest.raises(ValueError, match="no part named 'W25Q33'") as caught:
            NorFlash.part("W25Q33")
        assert all(name in str(caught.value) for name in PARTS)

    def test_a_window_beyond_the_part_is_refused(self) -> None:
        with pytest.raises(ValueError, match="block_count must be at most 1024 on W25Q32JV, not 1025"):
            NorFlash.part("W25Q32JV", block_count=1025)
        with pytest.raises(ValueError, match="block_count"):
            NorFlash.part("W25Q32JV", block_count=0)

    def test_unit_and_page_limit_come_with_the_part(self) -> None:
        flash = NorFlash.part("generic-built-in-128K", 1)
        assert (flash.geometry.program_unit_bytes, flash.geometry.page_programs_max) == (16, 8)
        with pytest.raises(ValueError, match="multiples of 16"):
            flash.program(8, bytes(8))


class TestDatasheet:
    @pytest.mark.parametrize("field", [f.name for f in fields(Datasheet) if f.type == "int"])
    @pytest.mark.parametrize("value", [-1, 0.5, "1"])
    def test_each_number_is_an_integer_of_0_or_more(self, field: str, value: object) -> None:
        with pytest.raises(ValueError, match=field):
            replace(GENERIC, **{field: value})  # type: ignore[arg-type]

    @pytest.mark.parametrize(
        ("wrong", "says"),
        [
            ({"rated_cycles": 0}, "rated_cycles must be at least 1"),
            (
                {"program_typ_ns": 5, "program_max_ns": 4},
                r"program_typ_ns \(5\) must not be above program_max_ns \(4\)",
            ),
            ({"erase_typ_ns": 5, "erase_max_ns": 4}, "erase_typ_ns"),
            ({"size_bytes": 4095}, "size_bytes"),
            ({"size_bytes": 4097}, "size_bytes"),
            ({"block_bytes": 0}, "block_bytes"),
            ({"block_bytes": 100}, "page_bytes"),
        ],
    )
    def test_what_makes_no_sense_is_named(self, wrong: dict[str, int], says: str) -> None:
        with pytest.raises(ValueError, match=says):
            replace(GENERIC, **wrong)  # type: ignore[arg-type]

    def test_what_just_makes_sense_is_taken(self) -> None:
        always_alike = {"program_max_ns": GENERIC.program_typ_ns, "erase_max_ns": GENERIC.erase_typ_ns}
        assert replace(GENERIC, rated_cycles=1, **always_alike).rated_cycles == 1

    def test_given_sizes_must_agree(self) -> None:
        with pytest.raises(ValueError, match="page_bytes is 256 on W25Q32JV, not 512"):
            NorFlash(4, 4096, 512, datasheet=PARTS["W25Q32JV"])
        assert NorFlash(4, 4096, 256, datasheet=PARTS["W25Q32JV"]).geometry == NorFlash.part("W25Q32JV", 4).geometry
        sheet = NorFlash(3, 8192, 512).datasheet
        assert (sheet.size_bytes, sheet.block_bytes, sheet.page_bytes) == (3 * 8192, 8192, 512)
        assert sheet.rated_cycles == GENERIC.rated_cycles
