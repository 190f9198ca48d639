"""The catalogue of parts: typical and maximum values, each with its source.

Every value is from the source named, unless the source line says otherwise. Choices that hold for all:

* Where a datasheet gives only a maximum, it stands for the typical value as well ("no typical").
* Reads are on one data line at the clock at which the read current is given; a byte is 8 clocks, rounded to the ns, and
  command and 24-bit address are 4 bytes more.
* The supply is 3.3 V (common practice, no source), inside every part's range.
* Programming and erasing draw the one current that the datasheets give for both.
* A name with "/32K" or "/64K" is the same part, erased by its larger blocks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, cast

from simfs.flash.datasheet import Datasheet

_US, _MS = 1_000, 1_000_000
_KIB = 1024


@dataclass(frozen=True, slots=True)
class _Serial:
    """A serial NOR part in the units of its datasheet: Mbit, ms (typical, maximum), MHz, mA, micro-amperes."""

    name: str
    source: str
    mbit: int
    program_ms: tuple[float, float]
    erase_ms: dict[int, tuple[float, float]]  # by block size in KiB, the one to use first
    read_mhz: int
    read_ma: int
    program_ma: int
    standby_ua: int
    cycles: int
    years: int

    def datasheets(self) -> list[Datasheet]:
        (first, first_ms), *larger = self.erase_ms.items()
        plain = Datasheet(
            name=self.name,
            source=self.source,
            size_bytes=self.mbit * 128 * _KIB,
            block_bytes=first * _KIB,
            page_bytes=256,
            program_typ_ns=round(self.program_ms[0] * _MS),
            program_max_ns=round(self.program_ms[1] * _MS),
            erase_typ_ns=round(first_ms[0] * _MS),
            erase_max_ns=round(first_ms[1] * _MS),
            read_byte_ns=round(8_000 / self.read_mhz),
            read_overhead_ns=round(32_000 / self.read_mhz),
            program_ua=self.program_ma * 1000,
            erase_ua=self.program_ma * 1000,
            read_ua=self.read_ma * 1000,
            standby_ua=self.standby_ua,
            supply_mv=3300,
            rated_cycles=self.cycles,
            retention_years=self.years,
        )
        return [plain] + [
            replace(
                plain,
                name=f"{self.name}/{kib}K",
                block_bytes=kib * _KIB,
                erase_typ_ns=round(typical * _MS),
                erase_max_ns=round(longest * _MS),
            )
            for kib, (typical, longest) in larger
        ]


_SERIAL = (
    _Serial(
        "IS25LD040",
        "ISSI IS25LD040 datasheet, revision not seen; times: no typical; from memory: clock, standby, retention",
        mbit=4, program_ms=(2, 2), erase_ms={4: (10, 10), 32: (10, 10), 64: (10, 10)},
        read_mhz=33, read_ma=10, program_ma=15, standby_ua=10, cycles=200_000, years=20,
    ),
    _Serial(
        "IS25LP080D",
        "ISSI IS25LP080D Rev B4, 2018, as cited by a document; read and program current from IS25LP128F-A3",
        mbit=8, program_ms=(0.2, 0.8), erase_ms={4: (70, 300), 32: (100, 500), 64: (150, 1000)},
        read_mhz=133, read_ma=8, program_ma=25, standby_ua=8, cycles=100_000, years=20,
    ),
    _Serial(
        "KH25L8005",
        "Macronix PM1307 Rev 1.1, 2007; currents are maxima, no typical; retention not stated",
        mbit=8, program_ms=(1.4, 5), erase_ms={4: (60, 120), 64: (1000, 2000)},
        read_mhz=66, read_ma=8, program_ma=15, standby_ua=10, cycles=100_000, years=0,
    ),
    _Serial(
        "W25Q32JV",
        "Winbond W25Q32JV datasheet, revision not seen",
        mbit=32, program_ms=(0.4, 3), erase_ms={4: (45, 400), 32: (120, 1600), 64: (150, 2000)},
        read_mhz=50, read_ma=8, program_ma=20, standby_ua=10, cycles=100_000, years=20,
    ),
    _Serial(
        "SST26VF064B",
        "Microchip DS20005119J; from memory: page program (no typical), program and erase current",
        mbit=64, program_ms=(1.5, 1.5), erase_ms={4: (18, 25), 32: (18, 25), 64: (18, 25)},
        read_mhz=104, read_ma=15, program_ma=25, standby_ua=15, cycles=100_000, years=100,
    ),
    _Serial(
        "W25Q128JV",
        "Winbond W25Q128JV Rev M, Dec 2024",
        mbit=128, program_ms=(0.4, 3), erase_ms={4: (45, 400), 32: (120, 1600), 64: (150, 2000)},
        read_mhz=50, read_ma=8, program_ma=20, standby_ua=10, cycles=100_000, years=20,
    ),
    _Serial(
        "IS25LP128F-A3",
        "ISSI IS25LP128F Rev A8, automotive",
        mbit=128, program_ms=(0.2, 0.8), erase_ms={4: (100, 300), 32: (140, 500), 64: (170, 1000)},
        read_mhz=80, read_ma=8, program_ma=25, standby_ua=8, cycles=100_000, years=20,
    ),
    _Serial(
        "M25P128",
        "M25P128 Rev 3, Dec 2007; from memory: all times, all currents; erases 256 KiB blocks only",
        mbit=128, program_ms=(2.5, 7), erase_ms={256: (2000, 6000)},
        read_mhz=50, read_ma=8, program_ma=20, standby_ua=100, cycles=10_000, years=20,
    ),
)  # fmt: skip

GENERIC = Datasheet(
    name="generic",
    source="invented: a plain serial NOR in round figures, an erase block of any size taking the same time",
    size_bytes=4096 * _KIB,
    block_bytes=4 * _KIB,
    page_bytes=256,
    program_typ_ns=500 * _US,
    program_max_ns=3 * _MS,
    erase_typ_ns=50 * _MS,
    erase_max_ns=400 * _MS,
    read_byte_ns=160,
    read_overhead_ns=640,
    program_ua=20_000,
    erase_ua=20_000,
    read_ua=10_000,
    standby_ua=10,
    supply_mv=3300,
    rated_cycles=100_000,
    retention_years=20,
)

_BUILT_IN_SIZES = tuple(mib * 1024 * _KIB for mib in (1, 2, 4, 8, 16))

_BUILT_IN_SERIAL = replace(
    GENERIC,
    name="generic-built-in-serial",
    source="invented: the generic serial NOR in one package with a microcontroller, 1, 2, 4, 8 or 16 MiB; "
    "its 10,000 cycles are common practice, no source",
    size_bytes=max(_BUILT_IN_SIZES),
    sizes_bytes=_BUILT_IN_SIZES,
    rated_cycles=10_000,
)

_BUILT_IN = Datasheet(
    name="generic-built-in-4K",
    source="invented: a microcontroller's built-in flash; its 10,000 cycles are common practice, no source",
    size_bytes=512 * _KIB,
    block_bytes=4 * _KIB,
    page_bytes=256,
    program_unit_bytes=8,
    program_typ_ns=1 * _MS,
    program_max_ns=3 * _MS,
    erase_typ_ns=20 * _MS,
    erase_max_ns=40 * _MS,
    read_byte_ns=10,
    program_ua=5_000,
    erase_ua=5_000,
    read_ua=2_000,
    standby_ua=1,
    supply_mv=3300,
    rated_cycles=10_000,
    retention_years=10,
)

_BUILT_IN_LARGE = replace(
    _BUILT_IN,
    name="generic-built-in-128K",
    size_bytes=2048 * _KIB,
    block_bytes=128 * _KIB,
    program_unit_bytes=16,
    page_programs_max=8,
    erase_typ_ns=1000 * _MS,
    erase_max_ns=2000 * _MS,
)

PARTS: dict[str, Datasheet] = {
    sheet.name: sheet
    for sheet in (
        *(sheet for part in _SERIAL for sheet in part.datasheets()),
        GENERIC,
        _BUILT_IN_SERIAL,
        _BUILT_IN,
        _BUILT_IN_LARGE,
    )
}


@lru_cache(maxsize=64)
def generic(block_count: int, **sizes: int) -> Datasheet:
    """The generic part with so many erase blocks, and other `sizes` by the datasheet's field names."""
    block_bytes = sizes.get("block_bytes", GENERIC.block_bytes)
    return replace(GENERIC, size_bytes=max(1, block_count) * block_bytes, **cast(dict[str, Any], sizes))


def sheet_of(block_count: int, datasheet: Datasheet | None, **sizes: int | None) -> Datasheet:
    """The datasheet, or else that of the generic part, with those `sizes` that are given. ValueError when a datasheet
    says otherwise."""
    given = {field: size for field, size in sizes.items() if size is not None}
    return generic(block_count, **given) if datasheet is None else datasheet.agreeing(given)
