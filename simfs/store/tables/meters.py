"""Counters of a store, taken where things happen. Flash operations are counted by the flash."""

from __future__ import annotations

from dataclasses import dataclass, fields


@dataclass(slots=True)
class Meters:
    """Since the store was formatted or mounted.

    host_bytes                 bytes that writes handed over
    payload_bytes_programmed   bytes of files that left a buffer for the flash
    relocated_bytes            bytes of files that cleaning and recovery wrote again
    erases                     erases that the store asked for
    cleanings                  blocks cleaned
    blocks_levelled            blocks cleaned only to level the wear
    names_cut                  names that were cut silently
    """

    host_bytes: int = 0
    payload_bytes_programmed: int = 0
    relocated_bytes: int = 0
    erases: int = 0
    cleanings: int = 0
    blocks_levelled: int = 0
    names_cut: int = 0

    def note_cut(self, _name: bytes) -> None:
        """A name was cut."""
        self.names_cut += 1

    def add(self, earlier: Meters) -> None:
        """Go on counting from an earlier store's counters."""
        for meter in fields(self):
            setattr(self, meter.name, getattr(self, meter.name) + getattr(earlier, meter.name))
