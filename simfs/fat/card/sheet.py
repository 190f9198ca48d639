"""What a card's reads and writes take. No maker publishes what goes on inside, so each figure has its source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

SECTOR_BYTES = 512
WIRE_BYTES = 524  # of one sector with its command, token, checksum and answer


@dataclass(frozen=True, slots=True)
class CardSheet:
    """Times in ns, currents in uA. A read or write is of one sector with a command of its own; the time on the wires
    comes on top.

    fills        how often the whole card can be filled: the least that makers publish
    inner_least  sectors' worth of its own memory that the card programs for each sector written: at least
    inner_most   and at most. The true figure is its controller's secret
    """

    name: str = "typical card"
    clock_hz: int = 25_000_000
    read_typ_ns: int = 1_000_000
    write_typ_ns: int = 4_000_000
    write_max_ns: int = 250_000_000
    read_ua: int = 65_000
    write_ua: int = 75_000
    standby_ua: int = 250
    supply_mv: int = 3_300
    fills: int = 512
    inner_least: int = 8
    inner_most: int = 400

    @property
    def wire_ns(self) -> int:
        """One sector over one data line."""
        return WIRE_BYTES * 8 * 1_000_000_000 // self.clock_hz

    def sourced(self) -> Iterator[tuple[str, int, str]]:
        """Each figure: its name, its value, and where it is from; of one that is not the usual one, the scenario."""
        usual = CardSheet()
        for name, source in SOURCES.items():
            value: int = getattr(self, name)
            yield name, value, source if value == getattr(usual, name) else FROM_SCENARIO


FROM_SCENARIO = "the scenario"
NO_SOURCE = "common practice, no source"
SOURCES = {
    "clock_hz": "SD Physical Layer Simplified Specification 4.10: at most 25 MHz; over SPI the same, common practice, "
    "no source",
    "read_typ_ns": NO_SOURCE,
    "write_typ_ns": "SD Physical Layer Simplified Specification 4.10: R2W_FACTOR 4, times the typical read",
    "write_max_ns": "SD Physical Layer Simplified Specification 4.10: time-out of a write",
    "read_ua": "a book on USB storage, as cited",
    "write_ua": "a book on USB storage, as cited",
    "standby_ua": NO_SOURCE,
    "supply_mv": "a maker's data sheet: 2.7 to 3.6 V",
    "fills": "512 TB for a card of 1 TB, as cited from a maker; others give 937 and 3,000",
    "inner_least": "a sector costs as much as a page of NAND, 4 KiB or more: Linaro flash card survey, 2011",
    "inner_most": "12 MB/s falls to 30 KB/s for small writes: Bergmann, 2011; the ratio is worked out",
}
"""Where each figure of `CardSheet` comes from. "As cited": read in another document. All makers' figures of endurance
assume long writes in a row."""
