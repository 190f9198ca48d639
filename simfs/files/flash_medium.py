"""A flash as the medium of a store: its counters, with times and energy by its datasheet."""

from __future__ import annotations

from collections.abc import Mapping

from simfs.files.contract import Mark, SpentNow
from simfs.flash import Counts, NorFlash

CURRENTS = {"program": "program_ua", "erase": "erase_ua", "read": "read_ua", "rest": "standby_ua"}


class FlashMedium:
    """The medium that is a `NorFlash`. Marks are the values of `Counts`, so that several of these may share a flash."""

    __slots__ = ("_read_byte_ns", "_read_ns", "_times_ns", "flash")

    kind = "flash"
    is_timed = True

    def __init__(self, flash: NorFlash) -> None:
        sheet = flash.datasheet
        self.flash = flash
        self._times_ns = (sheet.program_typ_ns, sheet.program_max_ns, sheet.erase_typ_ns, sheet.erase_max_ns)
        self._read_ns, self._read_byte_ns = sheet.read_overhead_ns, sheet.read_byte_ns

    @property
    def name(self) -> str:
        return self.flash.datasheet.name

    @property
    def size_bytes(self) -> int:
        return self.flash.geometry.size_bytes

    @property
    def unit_bytes(self) -> int:
        return self.flash.geometry.page_bytes

    @property
    def block_bytes(self) -> int:
        return self.flash.geometry.block_bytes

    @property
    def block_count(self) -> int:
        return self.flash.geometry.block_count

    @property
    def supply_mv(self) -> int:
        return self.flash.datasheet.supply_mv

    @property
    def standby_nw(self) -> int:
        return self.flash.datasheet.standby_ua * self.flash.datasheet.supply_mv

    def mark(self) -> Mark:
        """See `Medium`. Host time: a quarter of a microsecond."""
        flash = self.flash
        return (
            flash.reads, flash.read_bytes, flash.programs, flash.program_bytes, flash.erases,
            flash.program_extra_ns, flash.erase_extra_ns,
        )  # fmt: skip

    def since(self, mark: Mark) -> SpentNow:
        """See `Medium`. A worn block takes longer than the datasheet's typical times; its longest times it keeps."""
        reads, read_bytes, programs, program_bytes, erases, program_extra_ns, erase_extra_ns = mark
        flash = self.flash
        reads, read_bytes = flash.reads - reads, flash.read_bytes - read_bytes
        programs, erases = flash.programs - programs, flash.erases - erases
        program_ns, program_max_ns, erase_ns, erase_max_ns = self._times_ns
        extra_ns = flash.program_extra_ns - program_extra_ns + flash.erase_extra_ns - erase_extra_ns
        return (
            reads,
            read_bytes,
            programs,
            flash.program_bytes - program_bytes,
            erases,
            programs * program_ns + erases * erase_ns + extra_ns,
            programs * program_max_ns + erases * erase_max_ns,
            reads * self._read_ns + read_bytes * self._read_byte_ns,
        )

    def energy_nj(self, mark: Mark) -> int:
        return (self.flash.counts - Counts(*mark)).energy_nj(self.flash.datasheet)

    def current_sources(self) -> Mapping[str, str]:
        """See `Medium`. A current of 0 is one that nobody knows."""
        sheet = self.flash.datasheet
        sources = sheet.sources()
        return {word: sources[field] if getattr(sheet, field) else "" for word, field in CURRENTS.items()}
