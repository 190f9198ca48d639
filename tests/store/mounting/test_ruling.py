"""Which statement rules, and what is told of blocks."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.store.format.codec import BASE, Kind
from simfs.store.mounting.block_reader import PLAINLY
from simfs.store.mounting.ruling import find_ruling, used_blocks
from simfs.store.mounting.survey import survey
from simfs.store.tables.blocks import State
from tests.support.on_flash import contents, put, statements_on

SIZES = {"block_bytes": 1024, "page_bytes": 128}


def new_store(blocks: int = 8) -> Store:
    return Store.format(NorFlash(blocks, **SIZES), StoreConfig(buffer_bytes=64, name_bytes=16, level_threshold=0))


def ruling(image: bytes) -> tuple[int, int]:
    """Lead and sequence number of the ruling statement."""
    found = find_ruling(NorFlash.from_image(image, **SIZES), PLAINLY)
    return found.lead, found.statement.number


def without_statement(store: Store, block: int) -> bytearray:
    """The image with the first statement of a block damaged."""
    image = bytearray(store.flash.image())
    image[block * 1024 + statements_on(store.flash)[block][0].address + 40] ^= 1
    return image


def test_the_newest_statement_rules_wherever_it_stands() -> None:
    store = new_store()
    for number in range(20):
        put(store, "a", bytes([number]) * 300)
        newest = max((said.number, block) for block, found in statements_on(store.flash).items() for said in found)
        assert ruling(store.flash.image()) == newest[::-1]
        if number % 4 == 3:
            store = Store.mount(store.flash)


def test_a_later_statement_of_a_block_whose_first_one_is_damaged_rules() -> None:
    store = new_store()
    put(store, "a", b"a")
    store._volume.state.segments.advance(0)
    put(store, "b", b"b")
    store = Store.mount(store.flash)  # writes a second statement in the lead
    lead = store._volume.state.segments.lead
    assert len(statements_on(store.flash)[lead]) == 2
    number = statements_on(store.flash)[lead][1].number
    assert ruling(bytes(without_statement(store, lead))) == (lead, number)


def test_where_no_block_begins_with_a_statement_any_is_searched() -> None:
    store = new_store()
    put(store, "a", b"a")
    store = Store.mount(store.flash)
    image = bytes(without_statement(store, 0))
    assert ruling(image)[0] == 0
    blank = bytearray(image)
    blank[:1024] = b"\xff" * 1024
    with pytest.raises(CorruptStore, match="no store on this flash"):
        ruling(bytes(blank))


def exchanged(store: Store, name: bytes) -> int:
    """The log goes on in another block, which begins with a frame that was moved there; where its statement stands."""
    state = store._volume.state
    state.segments.exchange(0, lambda: state.log.append(0, Kind.NAME, 7, 0, 0, name) and None)
    lead = state.segments.lead
    (said,) = statements_on(store.flash)[lead]
    assert said.at > 0
    return lead * 1024 + said.at


def test_blocks_in_turn_may_begin_with_moved_frames() -> None:
    """Each says that more blocks are in use than those before it know."""
    store = new_store(20)
    for name in (b"a", b"b", b"c"):
        at = exchanged(store, name)
        assert ruling(store.flash.image())[0] == at // 1024
    assert at // 1024 == 3


def test_a_statement_that_is_not_sure_counts_only_with_what_was_moved_before_it() -> None:
    """A cut erase may leave it alone: then the block that it was moved from is still there."""
    store = new_store()
    at = exchanged(store, b"moved")
    place = store._volume.state.layout.place(at % 1024, 0)
    image = bytearray(store.flash.image())
    image[1024 + store._volume.state.layout.first] ^= 1
    assert ruling(bytes(image))[0] == 1, "it is sure, so that the damage is told"
    image[1024 + place.end : 1024 + place.statement] = b"\xff" * (place.statement - place.end)
    assert ruling(bytes(image))[0] == 0


def test_a_statement_that_repeats_one_which_reads_no_more_counts_alone() -> None:
    store = new_store()
    layout = store._volume.state.layout
    place = layout.place(0, 0)
    store.flash.put(place.end, b"\xff" * (place.statement - place.end))  # a cut left neither END nor SURE
    Store.mount(store.flash)
    first, second = statements_on(store.flash)[0]
    assert second.end == first.at == 0
    image, place = bytearray(store.flash.image()), layout.place(second.at, 0)
    image[first.address + 40] ^= 1
    image[place.end : place.statement] = b"\xff" * (place.statement - place.end)
    assert ruling(bytes(image)) == (0, second.number)


def test_blocks_in_use_are_counted_round_the_end_of_the_flash() -> None:
    (said,) = statements_on(new_store().flash)[0]
    assert used_blocks(said, 8) == {0, 1, 2}
    assert used_blocks(replace(said, used_from=6, used=4), 8) == {6, 7, 0, 1}


def told(store: Store) -> dict[int, int]:
    """By block that was left without a seal: before which address it counts."""
    return dict(survey(store.flash).state.blocks.left_end)


def test_of_what_is_told_of_a_block_the_newest_counts() -> None:
    store = new_store(10)
    put(store, "kept", b"k" * 100)
    state = store._volume.state
    state.segments._abandon(0)  # as if a program had failed
    (left,) = state.segments.untold
    state.segments._open(0, state.segments._clean_block(False), False)
    assert told(store) == {left.block: left.end}
    for end in (left.end + 10, left.end - 5):
        state.log.append(0, Kind.LEFT, left.block, end, BASE.size, BASE.pack(left.base))
        assert told(store) == {left.block: end}
    state.log.append(0, Kind.LEFT, left.block, 0, BASE.size, BASE.pack(left.base + 1))
    assert told(store) == {left.block: left.end - 5}, "nothing of another life of the block"
    state.log.append(0, Kind.BAD, left.block, 0, 0, b"")
    assert told(store) == {}
    assert survey(store.flash).state.blocks.state[left.block] == State.BAD


def test_what_a_block_tells_behind_the_end_of_what_counts_in_it_is_nothing() -> None:
    """The block that tells was itself left, and the frame stands where nothing counts any more."""
    store = new_store(10)
    put(store, "kept", b"k" * 100)
    state = store._volume.state
    state.segments.advance(0)
    teller = state.log.heads[0]
    assert teller is not None
    put(store, "more", b"m")
    end = teller.at
    state.log.append(0, Kind.LEFT, 0, 150, BASE.size, BASE.pack(state.blocks.base[0]))
    assert told(store) == {0: 150}
    teller.at = end  # what stands from here on never counts
    state.segments._abandon(0)
    state.segments._open(0, state.segments._clean_block(False), False)
    assert told(store) == {teller.block: end - teller.start}
    assert contents(Store.mount(store.flash, read_only=True)) == {"kept": b"k" * 100, "more": b"m"}
