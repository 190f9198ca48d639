"""What a block's part in the store follows from: its statement, its seal, and what the ruling statement says of it."""

from __future__ import annotations

from random import Random

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.store.format.layout import layout_of
from simfs.store.tables.blocks import State
from tests.support.on_flash import (
    SETTINGS,
    SMALL,
    churn,
    contents,
    flash_of,
    lead_of,
    mounted,
    outcome,
    put,
    refusal,
    ruling_on,
    statements_on,
    worked_store,
)

SIZE = SMALL["block_bytes"]
TWO_HEADS = StoreConfig(buffer_bytes=32, name_bytes=12, log_heads=2)
BOTH = pytest.mark.parametrize("config", [SETTINGS, TWO_HEADS], ids=["one head", "two heads"])


def in_state(store: Store, *states: State) -> list[int]:
    return [block for block, state in enumerate(store.volume.state.blocks.state) if state in states]


@BOTH
def test_a_closed_block_serves_without_its_statement(config: StoreConfig) -> None:
    """Its seal tells the base as well."""
    store = worked_store(config)
    expected, image = contents(store), bytearray(store.flash.image())
    layout = layout_of(store.flash.geometry, config)
    closed = in_state(store, State.CLOSED)
    assert len(closed) > 2
    for start in (SIZE * block for block in closed if block != lead_of(store.flash)):
        for at in range(0, layout.first, 3):
            image[start + at] ^= 1 << at % 8
            assert outcome(image) == expected, (start // SIZE, at)
            image[start + at] ^= 1 << at % 8


@BOTH
def test_a_store_goes_on_with_rotten_statements_and_cleans_their_blocks(config: StoreConfig) -> None:
    store = worked_store(config, block_count=9)
    expected, image = contents(store), bytearray(store.flash.image())
    layout = layout_of(store.flash.geometry, config)
    rotten = set(in_state(store, State.CLOSED)) - {lead_of(store.flash)}
    for block in rotten:
        image[SIZE * block + layout.statement_at(0) + 4] ^= 1
    store = Store.mount(flash_of(image))
    assert contents(store) == expected
    churn(store, 40, size=70)
    lost = tuple(f"block {block}: erase count " for block in rotten)  # taken for the highest, which rises
    assert [problem for problem in store.check() if not problem.startswith(lost)] == []
    assert contents(store) == mounted(store) == expected | {"churn": bytes([39]) * 70}


@BOTH
def test_a_closed_block_without_its_seal_is_damage_and_named_with_its_place(config: StoreConfig) -> None:
    """Nothing else tells how far its frames reach."""
    store = worked_store(config)
    image, layout = bytearray(store.flash.image()), layout_of(store.flash.geometry, config)
    ruling = ruling_on(store.flash)
    for block in set(in_state(store, State.CLOSED)) - {ruling.other.block, lead_of(store.flash)}:
        for at in range(layout.seal_at, layout.seal_end):
            image[SIZE * block + at] ^= 1 << at % 8
            text = refusal(image)
            assert f"block {block} " in text
            assert f"{SIZE * block:#x}" in text
            image[SIZE * block + at] ^= 1 << at % 8
        for at in range(layout.sealing_at, SIZE):
            image[SIZE * block + at] ^= 1 << at % 8
            assert outcome(image) == contents(store), "its marks say nothing any more"
            image[SIZE * block + at] ^= 1 << at % 8


@BOTH
def test_what_reads_in_dead_and_unused_blocks_does_not_matter(config: StoreConfig) -> None:
    """Those that the ruling statement names, or says nothing of; here they hold what is random, and another block."""
    store = worked_store(config, block_count=24)
    expected, image = contents(store), bytearray(store.flash.image())
    ruling, random = ruling_on(store.flash), Random(1)
    used = {(ruling.used_from + at) % 24 for at in range(ruling.used)}
    dead = sorted(set(range(24)) - used | set(ruling.named))
    assert len(dead) > 4
    other = SIZE * in_state(store, State.CLOSED)[0]
    for block in dead:
        dirt = random.choice((random.randbytes(SIZE), bytes(SIZE), bytes(image[other : other + SIZE])))
        image[SIZE * block : SIZE * (block + 1)] = dirt
    assert outcome(image) == expected
    store = Store.mount(flash_of(image))
    assert contents(store) == expected
    churn(store, 300, size=70)
    assert all(store.erase_counts[block] for block in dead)
    assert store.check() == []
    assert contents(store) == mounted(store) == expected | {"churn": bytes([299 % 256]) * 70}


@BOTH
def test_a_block_of_an_older_image_or_in_another_ones_place_is_noticed(config: StoreConfig) -> None:
    store = worked_store(config)
    older = store.flash.image()
    put(store, "log", b"9" * 90)
    churn(store, 60, size=70)
    image = store.flash.image()
    lead, ruling = lead_of(store.flash), ruling_on(store.flash)
    now, then = statements_on(store.flash), statements_on(flash_of(older))
    tried = 0
    for block in in_state(store, State.CLOSED):
        at = slice(SIZE * block, SIZE * (block + 1))
        if block not in (lead, ruling.other.block) and then[block] and then[block][0].base != now[block][0].base:
            tried += 1
            mixed = bytearray(image)
            mixed[at] = older[at]
            assert f"block {block} " in refusal(mixed)
    assert tried
    first, second = [block for block in in_state(store, State.CLOSED) if block not in (lead, ruling.other.block)][:2]
    swapped = bytearray(image)
    for to, source in ((first, second), (second, first)):
        swapped[SIZE * to : SIZE * (to + 1)] = image[SIZE * source : SIZE * (source + 1)]
    with pytest.raises(CorruptStore):
        Store.mount(flash_of(swapped))


@pytest.mark.parametrize("trace", [0x00, 0x7F, 0xFE])
def test_any_trace_of_a_mark_counts(trace: int) -> None:
    """Of LEFT: a recovery keeps off the lead. Of NEXT: a mount settles the log once more."""
    sizes = {"block_bytes": 1024, "page_bytes": 64}
    store = Store.format(NorFlash(8, **sizes), SETTINGS)
    put(store, "log", b"whole")
    Store.mount(store.flash)
    expected, image = mounted(store), bytearray(store.flash.image())
    layout = layout_of(store.flash.geometry, SETTINGS)
    lead, ruling = lead_of(store.flash), ruling_on(store.flash)
    flash = flash_of(image, **sizes)
    Store.mount(flash)
    assert flash.image() == image, "it is settled"
    place = layout.place(ruling.at, ruling.stop - ruling.address)
    left, following = 1024 * lead + layout.left_at, 1024 * lead + place.next
    assert image[left] == image[following] == 0xFF
    image[following] = trace
    flash = flash_of(image, **sizes)
    assert contents(Store.mount(flash)) == expected
    assert ruling_on(flash).number > ruling.number
    assert lead_of(flash) == lead
    image[left] = trace
    flash = flash_of(image, **sizes)
    assert contents(Store.mount(flash)) == expected
    assert lead_of(flash) != lead
