"""Serial parts: typical and maximum values, each from its datasheet unless `apart` names another source.

Choices that hold for all:

* Where a datasheet gives only a maximum, it stands for the typical value as well.
* Reads are on one data line at the clock at which the read current is given; a byte is 8 clocks, rounded to the ns, and
  command and 24-bit address are 4 bytes more.
* The supply is 3.3 V (common practice, no source), inside every part's range.
* Programming and erasing draw the one current that the datasheets give for both.
* A name with "/32K" or "/64K" is the same part, erased by its larger blocks.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from simfs.flash.datasheet import Datasheet

_MS = 1_000_000
_KIB = 1024

FROM_MEMORY = "from memory"
ONLY_MAXIMUM = "no typical, the maximum stands for both"
COMMON_PRACTICE = "common practice, no source"

_FIELDS = {  # what a source may be named for, and the fields of the datasheet that it gives
    "program": ("program_typ_ns", "program_max_ns"),
    "erase": ("erase_typ_ns", "erase_max_ns"),
    "clock": ("read_byte_ns", "read_overhead_ns"),
    "current": ("program_ua", "erase_ua"),
    "read current": ("read_ua",),
    "standby": ("standby_ua",),
    "retention": ("retention_years",),
}


@dataclass(frozen=True, slots=True)
class Serial:
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
    apart: dict[str, str] = field(default_factory=dict)  # by the words of `_FIELDS`

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
            apart=tuple(self._apart()),
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

    def _apart(self) -> Iterator[tuple[str, str]]:
        """The source of each field that has another one than the whole sheet has."""
        yield "supply_mv", COMMON_PRACTICE
        yield "page_programs_max", "no limit is stated"
        for words, names in _FIELDS.items():
            source = self.apart.get(words, "")
            if source == ONLY_MAXIMUM:
                source = f"{self.source}; {ONLY_MAXIMUM}"
            if words == "clock":
                clock = f"8 clocks at {self.read_mhz} MHz, at which the read current is given"
                source = f"{clock}; {source or self.source}"
            if source:
                yield from ((name, source) for name in names)


SERIAL_PARTS = (
    Serial(
        "IS25LD040",
        "ISSI IS25LD040 datasheet, revision not seen",
        mbit=4, program_ms=(2, 2), erase_ms={4: (10, 10), 32: (10, 10), 64: (10, 10)},
        read_mhz=33, read_ma=10, program_ma=15, standby_ua=10, cycles=200_000, years=20,
        apart={"program": ONLY_MAXIMUM, "erase": ONLY_MAXIMUM}
        | dict.fromkeys(("clock", "standby", "retention"), FROM_MEMORY),
    ),
    Serial(
        "IS25LP080D",
        "ISSI IS25LP080D Rev B4, 2018, as cited by a document",
        mbit=8, program_ms=(0.2, 0.8), erase_ms={4: (70, 300), 32: (100, 500), 64: (150, 1000)},
        read_mhz=133, read_ma=8, program_ma=25, standby_ua=8, cycles=100_000, years=20,
        apart=dict.fromkeys(("current", "read current"), "ISSI IS25LP128F Rev A8, automotive"),
    ),
    Serial(
        "KH25L8005",
        "Macronix PM1307 Rev 1.1, 2007",
        mbit=8, program_ms=(1.4, 5), erase_ms={4: (60, 120), 64: (1000, 2000)},
        read_mhz=66, read_ma=8, program_ma=15, standby_ua=10, cycles=100_000, years=0,
        apart=dict.fromkeys(("current", "read current", "standby"), ONLY_MAXIMUM) | {"retention": "not stated"},
    ),
    Serial(
        "W25Q32JV",
        "Winbond W25Q32JV datasheet, revision not seen",
        mbit=32, program_ms=(0.4, 3), erase_ms={4: (45, 400), 32: (120, 1600), 64: (150, 2000)},
        read_mhz=50, read_ma=8, program_ma=20, standby_ua=10, cycles=100_000, years=20,
    ),
    Serial(
        "SST26VF064B",
        "Microchip DS20005119J",
        mbit=64, program_ms=(1.5, 1.5), erase_ms={4: (18, 25), 32: (18, 25), 64: (18, 25)},
        read_mhz=104, read_ma=15, program_ma=25, standby_ua=15, cycles=100_000, years=100,
        apart={"program": f"{FROM_MEMORY}; {ONLY_MAXIMUM}", "current": FROM_MEMORY},
    ),
    Serial(
        "W25Q128JV",
        "Winbond W25Q128JV Rev M, Dec 2024",
        mbit=128, program_ms=(0.4, 3), erase_ms={4: (45, 400), 32: (120, 1600), 64: (150, 2000)},
        read_mhz=50, read_ma=8, program_ma=20, standby_ua=10, cycles=100_000, years=20,
    ),
    Serial(
        "IS25LP128F-A3",
        "ISSI IS25LP128F Rev A8, automotive",
        mbit=128, program_ms=(0.2, 0.8), erase_ms={4: (100, 300), 32: (140, 500), 64: (170, 1000)},
        read_mhz=80, read_ma=8, program_ma=25, standby_ua=8, cycles=100_000, years=20,
    ),
    Serial(
        "M25P128",
        "M25P128 Rev 3, Dec 2007",
        mbit=128, program_ms=(2.5, 7), erase_ms={256: (2000, 6000)},
        read_mhz=50, read_ma=8, program_ma=20, standby_ua=100, cycles=10_000, years=20,
        apart=dict.fromkeys(("program", "erase", "current", "read current", "standby"), FROM_MEMORY),
    ),
)  # fmt: skip
