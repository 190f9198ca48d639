"""Where things stand in a block: places, marks and the seal, for each packing and program unit, against the
declaration."""

from __future__ import annotations

from itertools import pairwise

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.flash import Geometry
from simfs.store.format import declaration, declared_statement
from simfs.store.format.codec import FRAME_BYTES, SEAL_BYTES, Kind
from simfs.store.format.config import PACKINGS
from simfs.store.format.layout import PAGE_PROGRAMS_MIN, PLACE_PROGRAMS, Layout
from simfs.store.format.settings import settings_of
from simfs.store.format.statement import first_statement_places, statement_bytes

UNITS = [1, 2, 4, 8, 16]
BLOCK, PAGE = 4096, 256


def made(
    packing: str, unit_bytes: int, page_programs_max: int = 0, heads: int = 1
) -> tuple[Layout, Geometry, StoreConfig]:
    geometry = Geometry(16, BLOCK, PAGE, unit_bytes, page_programs_max)
    config = StoreConfig(packing=packing, log_heads=heads, buffer_bytes=100)
    return Layout(geometry, config), geometry, config


@pytest.mark.parametrize("at", [0, PAGE, 7 * PAGE])
@pytest.mark.parametrize("unit_bytes", UNITS)
@pytest.mark.parametrize("packing", PACKINGS)
def test_places_are_the_declared_ones(packing: str, unit_bytes: int, at: int) -> None:
    layout, geometry, config = made(packing, unit_bytes)
    for length in range(statement_bytes(1, 0, 0), 400, 7):
        place = layout.place(at, length)
        declared = declared_statement.place_around(settings_of(config, geometry), place.statement, length)
        assert declared[1:] == place[1:]
        assert place.fence == at == (0 if declared.fence is None else declared.fence)
        assert layout.statement_at(at) == place.statement


@pytest.mark.parametrize("at", [0, PAGE, 7 * PAGE])
@pytest.mark.parametrize("unit_bytes", UNITS)
@pytest.mark.parametrize("packing", PACKINGS)
def test_the_parts_of_a_place_do_not_touch_and_are_whole_program_units(packing: str, unit_bytes: int, at: int) -> None:
    layout, _, _ = made(packing, unit_bytes)
    for length in range(statement_bytes(2, 0, 0), 400, 7):
        place = layout.place(at, length)
        sizes = {
            "fence": layout.mark_bytes if at or packing == "byte" else 0, "statement": length,
            "end": declared_statement.END_BYTES, "sure": layout.mark_bytes, "doubted": layout.mark_bytes,
            "next": layout.mark_bytes, "frames": 0,
        }  # fmt: skip
        parts = sorted((getattr(place, part), layout.padded(size)) for part, size in sizes.items())
        assert parts[0][0] >= at
        assert all(start + size <= following for (start, size), (following, _) in pairwise(parts))
        assert all(start % unit_bytes == 0 for start, _ in parts)
        assert parts[-1] == (place.frames, 0)
        if packing == "page":
            pages = {part: getattr(place, part) // PAGE for part in ("fence", "statement", "end", "frames")}
            assert len(set(pages.values())) == 4 - (at == 0), "a cut may spoil a page: each has its own"
            assert place.next // PAGE == pages["end"]
            assert place.frames % PAGE == 0


@pytest.mark.parametrize("unit_bytes", UNITS)
@pytest.mark.parametrize("packing", PACKINGS)
def test_marks_and_seal_stand_at_the_blocks_end(packing: str, unit_bytes: int) -> None:
    layout, geometry, config = made(packing, unit_bytes)
    assert declared_statement.mark_bytes(unit_bytes) == layout.mark_bytes
    assert declared_statement.marks_at_end(settings_of(config, geometry)) == (layout.sealing_at, layout.left_at)
    assert layout.seal_at + layout.padded(SEAL_BYTES) == layout.seal_end <= layout.sealing_at
    assert layout.sealing_at + layout.mark_bytes <= layout.left_at
    assert layout.left_at + layout.mark_bytes <= BLOCK
    if packing == "page":
        assert layout.sealing_at % PAGE == layout.left_at % PAGE == 0


@pytest.mark.parametrize("unit_bytes", UNITS)
@pytest.mark.parametrize("packing", PACKINGS)
def test_the_first_statement_is_where_a_mount_looks_for_it(packing: str, unit_bytes: int) -> None:
    layout, _, _ = made(packing, unit_bytes)
    assert layout.statement_at(0) == first_statement_places(unit_bytes)[packing == "page"]


@pytest.mark.parametrize("heads", [1, 2])
@pytest.mark.parametrize("unit_bytes", UNITS)
@pytest.mark.parametrize("packing", PACKINGS)
def test_a_new_store_has_its_statement_there(packing: str, unit_bytes: int, heads: int) -> None:
    layout, geometry, config = made(packing, unit_bytes, heads=heads)
    flash = NorFlash(16, BLOCK, PAGE, program_unit_bytes=unit_bytes)
    store = Store.format(flash, config)
    raw, place = flash.image()[:BLOCK], layout.place(0, statement_bytes(heads, 0, 0))
    frame = declaration.parse_frame(raw[place.statement :], declaration.statement_salt(0))
    assert frame is not None
    assert frame.head.value.kind == "STATEMENT"
    assert dict(frame.payload.value.settings.items()).keys() >= settings_of(config, geometry)._asdict().keys()
    assert declaration.parse_end(raw[place.end :], 0) == 1
    assert raw[place.next : place.next + layout.mark_bytes] == b"\xff" * layout.mark_bytes
    assert place.frames == layout.first
    with store.open("log", "w") as file:
        file.write(b"7.31 m")
    raw = flash.image()[:BLOCK]
    assert raw[place.next : place.next + unit_bytes] == bytes(unit_bytes)
    found = declaration.parse_frame(raw[place.frames :], declaration.salt_of(0, 1))
    assert found is not None
    assert (found.head.value.kind, found.head.value.order) == (Kind.NAME.name, 1)


@pytest.mark.parametrize("unit_bytes", UNITS)
def test_programs_of_a_page_that_holds_a_place(unit_bytes: int) -> None:
    """All those of the place where the first frame stands in its page, one where only the statement reaches there."""
    layout, _, _ = made("byte", unit_bytes, PAGE_PROGRAMS_MIN)
    begins = layout.statement_at(PAGE)
    within, beyond = layout.place(PAGE, 2 * PAGE - begins - unit_bytes), layout.place(PAGE, 300)
    assert (within.frames // PAGE, layout.programs_before(within)) == (1, PLACE_PROGRAMS)
    assert (beyond.frames // PAGE, layout.programs_before(beyond)) == (2, 1)
    ends_with_page = layout.place(PAGE, 2 * PAGE - begins)
    assert (ends_with_page.frames, layout.programs_before(ends_with_page)) == (2 * PAGE, 0)
    paged, _, _ = made("page", unit_bytes)
    assert paged.programs_before(paged.place(PAGE, 104)) == 0


@pytest.mark.parametrize("unit_bytes", UNITS)
@pytest.mark.parametrize("packing", PACKINGS)
def test_what_frames_take(packing: str, unit_bytes: int) -> None:
    layout, _, _ = made(packing, unit_bytes)
    step = PAGE if packing == "page" else unit_bytes
    for payload in range(300):
        whole = -(-(FRAME_BYTES + payload) // step) * step
        assert layout.pitch(payload) == layout.frame_cost(payload) == whole
    lengths = [0, 3, 100, layout.buffer_bytes - 1, layout.buffer_bytes]
    placed = layout.placed(5 * PAGE, lengths, sum(map(layout.pitch, lengths)))
    assert placed.room_bytes == sum(map(layout.pitch, lengths))
    at, programs = 0, 0
    for payload in lengths:
        programs += (at + layout.padded(FRAME_BYTES + payload) - 1) // PAGE - at // PAGE + 1
        at += layout.pitch(payload)
    assert placed.programs == programs
    assert layout.placed_alike(5 * PAGE, 100, 7) == layout.placed(5 * PAGE, [100] * 7, 7 * layout.pitch(100))


@pytest.mark.parametrize("packing", PACKINGS)
def test_only_frames_that_fit_the_room_are_placed(packing: str) -> None:
    layout, _, _ = made(packing, 1)
    pitch = layout.pitch(100)
    for room_bytes in range(4 * pitch):
        fitting = [count for count in range(4) if (count - 1) * pitch + FRAME_BYTES + 100 <= room_bytes or not count]
        assert layout.placed(0, [100] * 3, room_bytes).frame_count == max(fitting)


@pytest.mark.parametrize("heads", [1, 2])
def test_the_capacity_leaves_out_heads_and_reserve(heads: int) -> None:
    layout, _, _ = made("byte", 1, heads=heads)
    assert layout.capacity == (16 - 3 - heads) * layout.block_room - layout.slack
