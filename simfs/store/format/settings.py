"""Turns settings into the numbers of a statement, and back."""

from __future__ import annotations

from functools import lru_cache

from simfs.flash import Geometry
from simfs.store.format.codec import FRAME_BYTES, NO_BLOCK
from simfs.store.format.config import BUFFER_BYTES_MIN, CLEANERS, StoreConfig
from simfs.store.format.errors import CorruptStore
from simfs.store.format.layout import PAGE_PROGRAMS_MIN, Layout, align_up, layout_of
from simfs.store.format.statement import TWO_HEADS, Settings, statement_bytes

PAGE_PACKING, FOLD_CASE, CUT_NAMES, IDLE_CLEANING = 1, 2, 4, 8  # and TWO_HEADS: flags of a statement's settings
NAMES_MIN = 4  # with less, the names of removed files could fill a store that has none
PAGE_BYTES_MIN = 32  # smaller ones are not tried
CLEANER_SHIFT = 5  # above the flags


def settings_of(config: StoreConfig, geometry: Geometry) -> Settings:
    """The numbers of a store with these settings on this geometry."""
    flags = (
        PAGE_PACKING * (config.packing == "page")
        | FOLD_CASE * config.fold_case
        | CUT_NAMES * (config.overlong == "cut")
        | IDLE_CLEANING * config.idle_cleaning
        | TWO_HEADS * (config.log_heads == 2)
        | CLEANERS.index(config.cleaner) << CLEANER_SHIFT
    )
    return Settings(
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
def config_of(record: Settings) -> StoreConfig:
    """The settings with these numbers. CorruptStore when no store could have written them."""
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
        raise CorruptStore(f"a statement holds impossible settings: {error}") from None


def check_geometry(record: Settings, geometry: Geometry) -> None:
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
    if geometry.page_bytes < PAGE_BYTES_MIN:
        raise ValueError(f"a store needs pages of at least {PAGE_BYTES_MIN} bytes, not {geometry.page_bytes}")
    if geometry.block_bytes > 1 << 24:
        raise ValueError("a store needs erase blocks of at most 16 MiB")
    if geometry.block_count >= NO_BLOCK:
        raise ValueError(f"a store has at most {NO_BLOCK - 1} erase blocks, not {geometry.block_count}")
    if 0 < geometry.page_programs_max < PAGE_PROGRAMS_MIN:
        raise ValueError(
            f"a store needs at least {PAGE_PROGRAMS_MIN} programs a page; the flash allows {geometry.page_programs_max}"
        )
    layout = layout_of(geometry, config)
    if geometry.page_bytes < layout.marks_bytes:
        raise ValueError(
            f"pages of {geometry.page_bytes} bytes are too small: with program units of {geometry.program_unit_bytes} "
            f"the log's marks take {layout.marks_bytes} bytes of one page"
        )
    if layout.buffer_bytes < BUFFER_BYTES_MIN:
        raise ValueError(
            f"a page of {geometry.page_bytes} bytes has room for a write buffer of {layout.buffer_bytes}; the least is "
            f"{BUFFER_BYTES_MIN}: set buffer_bytes"
        )
    _check_block(geometry, config, layout)
    if layout.capacity < FRAME_BYTES:
        raise ValueError(
            f"{geometry.block_count} erase blocks are too few; {config.reserve} are the reserve, {config.log_heads} "
            f"open for writing, and the files need at least one more"
        )
    least = layout.slack // 2 + NAMES_MIN * layout.frame_cost(config.name_bytes)
    if layout.capacity < least:
        raise ValueError(
            f"{geometry.block_count} erase blocks of {geometry.block_bytes} bytes leave {layout.capacity} bytes for "
            f"files; a file and the names of {NAMES_MIN} that were removed need {least}"
        )


def _check_block(geometry: Geometry, config: StoreConfig, layout: Layout) -> None:
    """ValueError when a block is too small for the frames and for what a recovery writes."""
    largest = layout.slack // 2
    inner = layout.place(0, statement_bytes(config.log_heads, 2, FRAME_BYTES + layout.payload_max)).frames
    room, left = max(layout.block_room, 0), max(layout.block_room - (inner - layout.first), 0)  # after a power cut
    if room < 2 * largest or left < largest:
        raise ValueError(
            f"an erase block of {geometry.block_bytes} bytes has room for {room} bytes of frames, {left} after a power "
            f"cut; a write buffer of {layout.buffer_bytes} and names of {config.name_bytes} bytes need {2 * largest} "
            f"and {largest}"
        )
    frame = FRAME_BYTES + layout.payload_max if layout.page_packing else 0
    more = 0 if layout.page_packing else layout.block_room // 8  # of what is live in a block that the log had to leave
    moved = layout.first + layout.statement_room(2, frame) + largest + more  # what an exchange writes
    places = max(align_up(inner, geometry.page_bytes) + inner, moved)
    if places > layout.room_end():
        raise ValueError(
            f"an erase block of {geometry.block_bytes} bytes is too small: the log's statements before and after a "
            f"power cut take up to {places} of its {layout.room_end()} bytes"
        )
