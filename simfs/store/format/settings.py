"""Turns settings into the numbers of an open record, and back."""

from __future__ import annotations

from functools import lru_cache

from simfs.flash import Geometry
from simfs.store.format.codec import FRAME_BYTES, NO_BLOCK, TWO_HEADS, OpenRecord
from simfs.store.format.config import CLEANERS, StoreConfig
from simfs.store.format.errors import CorruptStore
from simfs.store.format.layout import PAGE_PROGRAMS_MIN, layout_of

PAGE_PACKING, FOLD_CASE, CUT_NAMES, IDLE_CLEANING = 1, 2, 4, 8  # and TWO_HEADS: flags of the open record
CLEANER_SHIFT = 5  # above the flags


def record_of(config: StoreConfig, geometry: Geometry) -> OpenRecord:
    """The open record of a store with these settings on this geometry; the log fills in base, counts and heads."""
    flags = (
        PAGE_PACKING * (config.packing == "page")
        | FOLD_CASE * config.fold_case
        | CUT_NAMES * (config.overlong == "cut")
        | IDLE_CLEANING * config.idle_cleaning
        | TWO_HEADS * (config.log_heads == 2)
        | CLEANERS.index(config.cleaner) << CLEANER_SHIFT
    )
    return OpenRecord(
        base=0,
        erase_count=0,
        erase_count_max=0,
        head=0,
        tries=0,
        choices=config.choices,
        flags=flags,
        unit_bytes=geometry.program_unit_bytes,
        name_bytes=config.name_bytes % 256,
        page_programs_max=geometry.page_programs_max,
        block_bytes=geometry.block_bytes,
        page_bytes=geometry.page_bytes,
        block_count=geometry.block_count,
        seed=config.seed,
        buffer_bytes=layout_of(geometry, config).buffer_bytes,
        reserve_blocks=config.reserve,
        level_threshold=config.level_threshold,
        open_files_max=config.open_files_max,
    )


@lru_cache(64)
def config_of(record: OpenRecord) -> StoreConfig:
    """The settings in an open record. CorruptStore when no store could have written them."""
    try:
        return StoreConfig(
            cleaner=CLEANERS[record.flags >> CLEANER_SHIFT],
            choices=record.choices,
            log_heads=record.log_heads,
            packing="page" if record.flags & PAGE_PACKING else "byte",
            buffer_bytes=record.buffer_bytes,
            reserve_blocks=record.reserve_blocks,
            level_threshold=record.level_threshold,
            idle_cleaning=bool(record.flags & IDLE_CLEANING),
            name_bytes=record.name_bytes or 256,
            overlong="cut" if record.flags & CUT_NAMES else "reject",
            fold_case=bool(record.flags & FOLD_CASE),
            open_files_max=record.open_files_max,
            seed=record.seed,
        )
    except (ValueError, IndexError) as error:
        raise CorruptStore(f"an open record holds impossible settings: {error}") from None


def check_geometry(record: OpenRecord, geometry: Geometry) -> None:
    """CorruptStore when the store was formatted on another geometry than the flash has."""
    for what, stored, found in (
        ("bytes an erase block", record.block_bytes, geometry.block_bytes),
        ("bytes a page", record.page_bytes, geometry.page_bytes),
        ("bytes a program unit", record.unit_bytes, geometry.program_unit_bytes),
        ("programs a page", record.page_programs_max, geometry.page_programs_max),
        ("erase blocks", record.block_count, geometry.block_count),
    ):
        if stored != found:
            raise CorruptStore(f"the store was made for {stored} {what}, the flash has {found}")


def check_fit(geometry: Geometry, config: StoreConfig) -> None:
    """ValueError when no store of these settings fits the geometry; the text says what would."""
    if geometry.block_bytes % 16 or 16 % geometry.program_unit_bytes:
        raise ValueError("a store needs program units of 1, 2, 4, 8 or 16 bytes, and erase blocks of a multiple of 16")
    if geometry.block_bytes > 1 << 24:
        raise ValueError("a store needs erase blocks of at most 16 MiB")
    if geometry.block_count >= NO_BLOCK:
        raise ValueError(f"a store has at most {NO_BLOCK - 1} erase blocks, not {geometry.block_count}")
    if 0 < geometry.page_programs_max < PAGE_PROGRAMS_MIN:
        raise ValueError(
            f"a store needs at least {PAGE_PROGRAMS_MIN} programs a page; the flash allows {geometry.page_programs_max}"
        )
    layout = layout_of(geometry, config)
    largest = layout.slack // 2
    room = max(layout.block_room, 0)
    if room < 2 * largest:
        raise ValueError(
            f"an erase block of {geometry.block_bytes} bytes has room for {room} bytes of frames; "
            f"a write buffer of {layout.buffer_bytes} and names of {config.name_bytes} bytes need {2 * largest}"
        )
    if layout.capacity < FRAME_BYTES:
        raise ValueError(
            f"{geometry.block_count} erase blocks are too few; {config.reserve} are the reserve, "
            f"and the files need {config.log_heads} more at least"
        )
