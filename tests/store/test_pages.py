"""What each page holds: held to the store's own account of what is live, over random work."""

from __future__ import annotations

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.flash.rng import Rng
from simfs.store.pages import PageState, page_states
from simfs.store.tables.blocks import State


def pages(store: Store) -> list[list[PageState]]:
    return [page_states(store.volume, block) for block in range(store.flash.geometry.block_count)]


def test_pages_follow_a_file() -> None:
    store = Store.format(NorFlash(block_count=8, block_bytes=1024, page_bytes=64))
    with store.open("/a", "w") as file:
        file.write(b"x" * 300)
    first = pages(store)[0]
    assert first[0] is PageState.RECORDS
    assert set(first[2:7]) == {PageState.LIVE}
    assert set(first[8:]) == {PageState.BLANK}
    with store.open("/a", "w") as file:
        file.write(b"y")
    assert set(pages(store)[0][2:6]) == {PageState.DEAD}
    store.remove("/a")
    assert PageState.LIVE in pages(store)[0]  # what says that the name is free


@pytest.mark.parametrize("config", [StoreConfig(), StoreConfig(log_heads=2), StoreConfig(packing="page")], ids=str)
def test_a_block_has_live_pages_where_the_store_counts_live_bytes(config: StoreConfig) -> None:
    store = Store.format(NorFlash(block_count=16, block_bytes=1024, page_bytes=64), config)
    rng = Rng(5, "pages")
    for number in range(300):
        name = f"/{rng.below(9)}"
        match rng.below(8):
            case 0:
                if store.exists(name):
                    store.remove(name)
            case 1:
                if store.exists(name):
                    store.rename(name, f"/{rng.below(9)}")
            case 2:
                if store.exists(name):
                    store.truncate(name, rng.below(900))
            case kind:
                with store.open(name, "a" if kind < 6 else "w") as file:
                    file.write(bytes([number % 251]) * rng.below(200))
        reads = store.flash.reads
        found = pages(store)
        assert store.flash.reads == reads
        for view in store.blocks():
            held = set(found[view.number])
            assert (PageState.LIVE in held) == (view.live_bytes > 0), (number, view)
            if view.state in ("unused", "ready"):
                assert held == {PageState.BLANK}
    assert {State.FREED, State.CLOSED, State.OPEN} <= set(store.volume.state.blocks.state)
