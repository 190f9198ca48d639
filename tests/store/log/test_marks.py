"""Marks and statements as they are programmed, on every size of unit and with limited pages."""

from __future__ import annotations

import pytest

from simfs import NorFlash, PowerCut, Store, StoreConfig
from simfs.flash import Error, Faults, FlashError, Plan
from simfs.store.format.codec import END_BYTES, decode_end
from simfs.store.format.layout import Layout, Place, layout_of
from simfs.store.log import marks
from simfs.store.log.marks import is_marked, is_sure, program_mark, program_sure
from simfs.store.recovery.move import kill
from tests.support.on_flash import put, statements_on

CONFIG = StoreConfig(buffer_bytes=64, name_bytes=16)
UNITS = [1, 2, 4, 8, 16]


def a_flash(unit: int = 1, limit: int = 0, *errors: Error) -> NorFlash:
    plan = Plan(Faults(errors=errors))
    return NorFlash(8, 4096, 256, program_unit_bytes=unit, page_programs_max=limit, faults=plan)


@pytest.mark.parametrize("limit", [0, 8])
@pytest.mark.parametrize("unit", UNITS)
def test_a_mark_is_zeros_of_one_unit_and_may_be_programmed_again(unit: int, limit: int) -> None:
    """A unit that takes one program only has another one beside it; a strict flash refuses a second program of one."""
    flash = a_flash(unit, limit)
    layout = layout_of(flash.geometry, CONFIG)
    assert layout.mark_bytes == (1 if unit == 1 else 2 * unit)
    at = 512
    assert not is_marked(flash.read(at, layout.mark_bytes))
    program_mark(flash, layout, at)
    first = b"\xf0" if unit == 1 and limit else bytes(unit)
    assert flash.read(at, layout.mark_bytes) == first.ljust(layout.mark_bytes, b"\xff")
    for _ in range(3):
        program_mark(flash, layout, at)
        assert flash.read(at, layout.mark_bytes) == bytes(layout.mark_bytes)
    assert is_marked(flash.read(at, layout.mark_bytes))
    assert flash.read(at - 16, 16) + flash.read(at + layout.mark_bytes, 16) == b"\xff" * 32


@pytest.mark.parametrize(("unit", "programs"), [(1, 4), (2, 2), (16, 2)])
def test_a_mark_programmed_often_takes_no_more_programs_than_its_units(unit: int, programs: int) -> None:
    flash = a_flash(unit)
    for _ in range(4):
        program_mark(flash, layout_of(flash.geometry, CONFIG), 512)
    assert flash.programs == programs


def test_in_a_page_with_a_limit_a_mark_takes_two_programs() -> None:
    """One for each half of the byte; after that it may still be weak, and says so."""
    flash = a_flash(1, 8)
    sound = [program_mark(flash, layout_of(flash.geometry, CONFIG), 512) for _ in range(20)]
    assert flash.programs == 2
    assert sound == [True, True] + [False] * 18


@pytest.mark.parametrize(("torn", "then"), [(0x7F, 0x70), (0xFB, 0x0B), (0x7B, 0x7B), (0x00, 0x00)])
def test_in_a_page_with_a_limit_a_torn_mark_gets_its_blank_half(torn: int, then: int) -> None:
    """A strict flash, where no bit may be set again."""
    flash = a_flash(1, 8)
    flash.program(512, bytes([torn]))
    assert program_mark(flash, layout_of(flash.geometry, CONFIG), 512) == (torn != then)
    assert flash.read(512, 1)[0] == then


def test_a_torn_mark_of_one_byte_is_completed() -> None:
    flash = a_flash(1)
    flash.program(512, b"\x7f")
    program_mark(flash, layout_of(flash.geometry, CONFIG), 512)
    assert flash.read(512, 1) == b"\0"


@pytest.mark.parametrize("trace", [b"\x7f", b"\xfe", b"\x00"])
def test_any_trace_of_a_mark_counts(trace: bytes) -> None:
    assert is_marked(trace)
    assert is_marked(b"\xff" + trace)
    assert not is_marked(b"\xff\xff")


def test_a_mark_that_fails_says_so() -> None:
    flash = a_flash(1, 0, Error("program", 0))
    with pytest.raises(FlashError):
        program_mark(flash, layout_of(flash.geometry, CONFIG), 512)


@pytest.mark.parametrize("packing", ["byte", "page"])
@pytest.mark.parametrize("limit", [0, 8])
@pytest.mark.parametrize("unit", UNITS)
def test_a_statement_stands_between_its_fence_and_its_end(unit: int, limit: int, packing: str) -> None:
    """The first one of a store, one after a change of block, and one that a recovery writes on a later page."""
    flash = a_flash(unit, limit)
    store = Store.format(flash, StoreConfig(buffer_bytes=64, name_bytes=16, packing=packing))
    put(store, "a", b"a")
    store._volume.state.segments.advance(0)
    put(store, "b", b"b")
    Store.mount(flash)
    layout, image = store._volume.state.layout, flash.image()
    found = [(block, said) for block, statements in statements_on(flash).items() for said in statements]
    assert len(found) == 3
    for block, said in found:
        raw = image[block * 4096 : (block + 1) * 4096]
        place = layout.place(said.at, said.stop - said.address)
        assert place.statement == said.address
        assert decode_end(raw[place.end : place.end + END_BYTES], block) == said.number
        assert is_marked(raw[place.fence : place.fence + layout.mark_bytes]) == bool(said.at) or packing == "page"
        newest = said.number == max(one.number for _, one in found)
        goes_on = is_marked(raw[place.next : place.next + layout.mark_bytes])
        assert goes_on is not newest, "the log has gone on behind all but the newest"


def settled_by(unit: int) -> tuple[NorFlash, list[tuple[int, int]], Place]:
    """A store whose statement has an END but no SURE, and the programs of the mount that settles it: address, bytes."""
    flash = a_flash(unit)
    Store.format(flash, CONFIG)
    (said,) = statements_on(flash)[0]
    place = layout_of(flash.geometry, CONFIG).place(0, said.stop - said.address)
    flash.put(place.sure, b"\xff" * (place.statement - place.sure))
    programs: list[tuple[int, int]] = []
    flash.listen(on_program=lambda address, data: programs.append((address, len(data))))
    Store.mount(flash)
    Store.mount(flash)
    return flash, programs, place


def test_an_end_without_sure_is_programmed_again_where_it_can_be() -> None:
    """A cut may have left it weak, and SURE may be left weak as well."""
    _, programs, place = settled_by(1)
    assert programs == [(place.end, END_BYTES), (place.sure, 1)]


def test_doubted_is_programmed_again_whatever_follows() -> None:
    """A cut may have spoiled its page meanwhile; NEXT has nothing programmed behind it in such a page."""
    flash = a_flash(1)
    Store.format(flash, CONFIG)
    (said,) = statements_on(flash)[0]
    place = layout_of(flash.geometry, CONFIG).place_of(said)
    flash.put(place.end, b"\xff" * END_BYTES + b"\xff\x00\xff")  # DOUBTED alone
    flash.put(place.frames, b"\x11")  # torn
    programs: list[int] = []
    flash.listen(on_program=lambda address, data: programs.append(address))
    Store.mount(flash)
    assert programs[0] == place.doubted


@pytest.mark.parametrize("unit", [4, 8, 16])
def test_the_second_unit_of_sure_shows_that_the_first_is_sound(unit: int) -> None:
    flash, programs, place = settled_by(unit)
    assert programs == [(place.sure, unit), (place.sure + unit, unit)]
    flash.put(place.sure + unit, b"\xff" * unit)
    Store.mount(flash)
    assert programs[2:] == [(place.sure + unit, unit)], "with the first unit alone it is not settled"


def test_what_looks_like_marks_beside_an_end_of_zeros_is_the_rest_of_an_erase() -> None:
    flash = a_flash(8)
    Store.format(flash, CONFIG)
    (said,) = statements_on(flash)[0]
    layout, raw = layout_of(flash.geometry, CONFIG), bytearray(flash.read(0, 1024))
    assert is_sure(layout, bytes(raw), said)
    place = layout.place_of(said)
    raw[: place.statement] = bytes(place.statement)
    raw[place.doubted : place.next] = b"\xff" * (place.next - place.doubted)
    assert not is_sure(layout, bytes(raw), said)


def test_a_mark_with_a_trace_in_all_units_can_not_be_made_sound() -> None:
    flash, layout = a_flash(8), layout_of(a_flash(8).geometry, CONFIG)
    assert program_mark(flash, layout, 512)
    flash.put(520, b"\x7f")
    assert not program_mark(flash, layout, 512)
    assert flash.programs == 1


@pytest.mark.parametrize(("unit", "limit", "weak"), [(8, 0, b"\x7f".ljust(16, b"\x7f")), (1, 8, b"\x7e")])
def test_where_next_can_not_be_made_sound_the_log_goes_on_in_another_block(unit: int, limit: int, weak: bytes) -> None:
    """It may read as blank later, and the store as settled."""
    flash = a_flash(unit, limit)
    Store.format(flash, CONFIG)
    (said,) = statements_on(flash)[0]
    layout = layout_of(flash.geometry, CONFIG)
    flash.put(layout.place_of(said).next, weak)
    programs: list[int] = []
    flash.listen(on_program=lambda address, data: programs.append(address))
    assert Store.mount(flash)._volume.state.segments.lead == 1
    assert [address for address in programs if address < 4096] == [layout.left_at]


@pytest.mark.parametrize("unit", UNITS)
def test_a_log_that_is_about_to_leave_its_block_is_not_settled(unit: int) -> None:
    """NEXT was there before LEFT, and has been left weak since."""
    flash = a_flash(unit)
    segments = Store.format(flash, CONFIG)._volume.state.segments
    segments.mark_left()
    assert Store.mount(flash)._volume.state.segments.lead != 0


@pytest.mark.parametrize("packing", ["byte", "page"])
def test_an_end_of_all_statements_leaves_the_seal_alone(packing: str) -> None:
    """It would look as if the block had been sealed, before which another one was erased."""
    flash = NorFlash(8, 2048, 32)
    layout = layout_of(flash.geometry, StoreConfig(buffer_bytes=16, name_bytes=12, packing=packing))
    programs: list[range] = []
    flash.listen(on_program=lambda address, data: programs.append(range(address, address + len(data))))
    kill(flash, layout, 0)
    assert len(programs) > 50
    seal_page = layout.seal_at - layout.seal_at % 32 if packing == "page" else layout.seal_at
    mark = layout.killing_at
    assert [one for one in programs if one.stop > seal_page] == [range(mark, mark + 1)]


def test_sealing_says_what_left_can_not_say_surely() -> None:
    flash = a_flash(8)
    segments = Store.format(flash, CONFIG)._volume.state.segments
    layout = segments.layout
    for at in (layout.left_at, layout.left_at + 8):
        flash.put(at, b"\x7f")
    segments.mark_left()
    assert flash.read(layout.sealing_at, 8) == bytes(8)


@pytest.mark.parametrize("unit", UNITS)
def test_a_new_store_is_settled(unit: int) -> None:
    flash = a_flash(unit)
    Store.format(flash, CONFIG)
    before = flash.programs
    Store.mount(flash)
    assert flash.programs == before


@pytest.mark.parametrize(("unit", "erased"), [(1, [1]), (8, [2, 1])])
def test_where_statements_can_not_be_killed_the_other_named_block_is_erased(unit: int, erased: list[int]) -> None:
    """A statement may have been tried in it, which reads as nothing now: once another block has taken up the log, it
    must never come back."""
    flash = a_flash(unit)
    store = Store.format(flash, CONFIG)
    put(store, "a", b"a")
    state = store._volume.state
    state.segments.mark_left()
    flash.program(state.log.heads[0].at, b"\x11".ljust(8, b"\xff"))  # a torn frame
    blocks: list[int] = []
    flash.listen(on_erase=blocks.append)
    Store.mount(flash)
    assert blocks == erased


def test_a_block_that_fails_behind_its_statement_does_not_rule(monkeypatch: pytest.MonkeyPatch) -> None:
    """The statement in the next block is newer than the one that can be read in it."""
    flash = a_flash(1)
    store = Store.format(flash, CONFIG)
    put(store, "a", b"a")
    state = store._volume.state
    state.segments.mark_left()
    flash.program(state.log.heads[0].at, b"\x11")  # a torn frame
    places: list[int] = []

    def fail_once(flash: NorFlash, layout: Layout, address: int) -> None:
        places.append(address // 4096)
        if len(places) == 1:
            raise FlashError("program", address)
        program_sure(flash, layout, address)

    monkeypatch.setattr(marks, "program_sure", fail_once)
    assert Store.mount(flash)._volume.state.segments.lead == 2
    (failed,), (going_on,) = (statements_on(flash)[block] for block in (1, 2))
    assert failed.number < going_on.number


@pytest.mark.parametrize("unit", [1, 8])
def test_a_format_that_was_cut_leaves_no_settled_store(unit: int) -> None:
    """Its statement may read as nothing now, and as a new store later: a mount of the old one makes an end of it."""
    flash = a_flash(unit)
    put(Store.format(flash, CONFIG), "a", b"a")
    Store.mount(flash)

    def cut(address: int, data: bytes) -> None:
        if address // 4096 == 1 and address % 4096 < 256:
            raise PowerCut("before its statement")

    again = NorFlash.from_image(flash.image(), datasheet=flash.datasheet)
    again.listen(on_program=cut)
    with pytest.raises(PowerCut):
        Store.format(again, CONFIG)
    after, touched = NorFlash.from_image(again.image(), datasheet=flash.datasheet), set[int]()
    after.listen(lambda address, data: touched.add(address // 4096), touched.add)
    assert Store.mount(after).names() == ["a"]
    assert 1 in touched
