"""What a flash was asked to do, and what that costs by a datasheet: integers only."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.flash.datasheet import Datasheet

# micro-amperes x millivolts = nW, and nW x ns = 1e-18 J: this many of them make a nJ.
_ATTOJOULES_PER_NJ = 10**9


@dataclass(frozen=True, slots=True)
class Counts:
    """A snapshot of a flash's counters; the difference of two of them is what happened in between."""

    reads: int = 0
    read_bytes: int = 0
    programs: int = 0
    program_bytes: int = 0
    erases: int = 0

    def __sub__(self, earlier: Counts) -> Counts:
        return Counts(
            self.reads - earlier.reads,
            self.read_bytes - earlier.read_bytes,
            self.programs - earlier.programs,
            self.program_bytes - earlier.program_bytes,
            self.erases - earlier.erases,
        )

    def busy_ns(self, datasheet: Datasheet) -> int:
        """Program and erase at typical times, ns. Reads stand apart."""
        return self.programs * datasheet.program_typ_ns + self.erases * datasheet.erase_typ_ns

    def busy_max_ns(self, datasheet: Datasheet) -> int:
        """Program and erase at the datasheet's maximum times, ns."""
        return self.programs * datasheet.program_max_ns + self.erases * datasheet.erase_max_ns

    def read_ns(self, datasheet: Datasheet) -> int:
        """Reads, with command and address of each, ns."""
        return self.reads * datasheet.read_overhead_ns + self.read_bytes * datasheet.read_byte_ns

    def energy_nj(self, datasheet: Datasheet) -> int:
        """Energy of reads, programs and erases at typical times, nJ; standby is not in it.

        Current x supply x time. The counts are multiplied first and divided once, to the nearest nJ: so add counts,
        not energies.
        """
        charge = (
            self.programs * datasheet.program_typ_ns * datasheet.program_ua
            + self.erases * datasheet.erase_typ_ns * datasheet.erase_ua
            + self.read_ns(datasheet) * datasheet.read_ua
        )
        return (charge * datasheet.supply_mv + _ATTOJOULES_PER_NJ // 2) // _ATTOJOULES_PER_NJ
