"""What a flash was asked to do, and what that costs by a datasheet: integers only."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.flash.datasheet import Datasheet

# micro-amperes x millivolts = nW, and nW x ns = 1e-18 J: this many of them make a nJ.
_ATTOJOULES_PER_NJ = 10**9


@dataclass(frozen=True, slots=True)
class Counts:
    """A snapshot of a flash's counters; the difference of two of them is what happened in between.

    The extra times are what worn or failing programs and erases took beyond the typical times, at most up to the
    longest ones; 0 on a flash without faults.
    """

    reads: int = 0
    read_bytes: int = 0
    programs: int = 0
    program_bytes: int = 0
    erases: int = 0
    program_extra_ns: int = 0
    erase_extra_ns: int = 0

    def __sub__(self, earlier: Counts) -> Counts:
        return Counts(
            self.reads - earlier.reads,
            self.read_bytes - earlier.read_bytes,
            self.programs - earlier.programs,
            self.program_bytes - earlier.program_bytes,
            self.erases - earlier.erases,
            self.program_extra_ns - earlier.program_extra_ns,
            self.erase_extra_ns - earlier.erase_extra_ns,
        )

    def busy_ns(self, datasheet: Datasheet) -> int:
        """Programs and erases at typical times, and what they took beyond, ns. Reads are not in it."""
        return self._program_ns(datasheet) + self._erase_ns(datasheet)

    def busy_max_ns(self, datasheet: Datasheet) -> int:
        """Program and erase at the datasheet's maximum times, ns."""
        return self.programs * datasheet.program_max_ns + self.erases * datasheet.erase_max_ns

    def read_ns(self, datasheet: Datasheet) -> int:
        """Reads with the command and address of each, ns."""
        return self.reads * datasheet.read_overhead_ns + self.read_bytes * datasheet.read_byte_ns

    def energy_nj(self, datasheet: Datasheet) -> int:
        """Energy of reads, and of programs and erases as `busy_ns` has them, nJ; standby is not in it.

        Current x supply x time. The counts are multiplied first and divided once, to the nearest nJ: so add counts,
        not energies.
        """
        charge = (
            self._program_ns(datasheet) * datasheet.program_ua
            + self._erase_ns(datasheet) * datasheet.erase_ua
            + self.read_ns(datasheet) * datasheet.read_ua
        )
        return (charge * datasheet.supply_mv + _ATTOJOULES_PER_NJ // 2) // _ATTOJOULES_PER_NJ

    def _program_ns(self, datasheet: Datasheet) -> int:
        return self.programs * datasheet.program_typ_ns + self.program_extra_ns

    def _erase_ns(self, datasheet: Datasheet) -> int:
        return self.erases * datasheet.erase_typ_ns + self.erase_extra_ns
