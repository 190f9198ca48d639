"""Invented parts in round figures: a serial one, and flash that is built into a microcontroller."""

from __future__ import annotations

from dataclasses import replace

from simfs.flash.datasheet import Datasheet
from simfs.flash.parts.serial import COMMON_PRACTICE

_US, _MS = 1_000, 1_000_000
_KIB = 1024

# An erase block of any size takes the same time.
GENERIC = Datasheet(
    name="generic",
    source="invented: a plain serial NOR in round figures",
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

# In one package with the microcontroller.
BUILT_IN_SERIAL = replace(
    GENERIC,
    name="generic-built-in-serial",
    source="invented: as the part generic",
    apart=(("rated_cycles", COMMON_PRACTICE),),
    built_in=True,
    size_bytes=max(_BUILT_IN_SIZES),
    sizes_bytes=_BUILT_IN_SIZES,
    rated_cycles=10_000,
)

BUILT_IN = Datasheet(
    name="generic-built-in-4K",
    source="invented: a microcontroller's built-in flash",
    apart=(("rated_cycles", COMMON_PRACTICE),),
    serial=False,
    built_in=True,
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

BUILT_IN_LARGE = replace(
    BUILT_IN,
    name="generic-built-in-128K",
    size_bytes=2048 * _KIB,
    block_bytes=128 * _KIB,
    program_unit_bytes=16,
    page_programs_max=8,
    erase_typ_ns=1000 * _MS,
    erase_max_ns=2000 * _MS,
)
