"""One flipped bit in the newest statement: it is read as it was, and no older one rules. A mount to write refuses."""

from __future__ import annotations

from typing import Any

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.store.mounting.block_reader import PLAINLY
from simfs.store.mounting.survey import survey
from tests.support.on_flash import contents, put

SIZES = {"block_bytes": 1024, "page_bytes": 128}
SETTINGS: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "one head": ({}, {}),
    "pages": ({"block_bytes": 2048}, {"packing": "page"}),
    "two heads, units of 8": ({"program_unit_bytes": 8}, {"log_heads": 2}),
}
BITS = 7  # every so manieth


def new_store(setting: str) -> Store:
    flash, config = SETTINGS[setting]
    if config.get("packing") != "page":
        config = {"buffer_bytes": 64, **config}
    return Store.format(NorFlash(9, **SIZES | flash), StoreConfig(name_bytes=12, **config))


def newest(flash: NorFlash) -> range:
    """The addresses of the newest statement."""
    ruling = survey(flash, PLAINLY).ruling
    start = ruling.lead * flash.geometry.block_bytes
    return range(start + ruling.statement.address, start + ruling.statement.stop)


def with_flipped(flash: NorFlash, *bits: int) -> NorFlash:
    image = bytearray(flash.image())
    for bit in bits:
        image[bit // 8] ^= 1 << bit % 8
    return NorFlash.from_image(image, datasheet=flash.datasheet)


@pytest.mark.parametrize("setting", SETTINGS)
@pytest.mark.parametrize("turns", [1, 30])
def test_a_flipped_bit_in_the_newest_statement_costs_nothing(setting: str, turns: int) -> None:
    """Of a young store it is the only one."""
    store = new_store(setting)
    for turn in range(turns):
        put(store, f"file{turn % 3}", bytes([turn]) * 150)
    right, place = contents(store), newest(store.flash)
    for bit in range(8 * place.start + turns % BITS, 8 * place.stop, BITS):
        mounted = Store.mount(with_flipped(store.flash, bit), read_only=True)
        assert contents(mounted) == right, f"bit {bit % 8} of byte {bit // 8 - place.start}"
        (damage,) = mounted.damages
        assert (damage.begin, damage.end, damage.names, damage.maybe) == (place.start, place.stop, (), ())


def test_a_mount_to_write_refuses_it() -> None:
    store = new_store("one head")
    put(store, "file", b"f" * 2000)
    flash = with_flipped(store.flash, 8 * newest(store.flash).start + 300)
    image = flash.image()
    with pytest.raises(CorruptStore, match="a bit has flipped in the newest statement"):
        Store.mount(flash)
    assert flash.image() == image


def test_two_flipped_bits_are_not_put_right() -> None:
    store = new_store("one head")
    put(store, "file", b"f" * 2000)
    begin = 8 * newest(store.flash).start
    damages = survey(with_flipped(store.flash, begin + 300, begin + 500), PLAINLY).state.damages
    assert [damage.what for damage in damages] == ["a newer statement was written and can't be read"]


def test_a_statement_has_to_be_the_one_that_its_end_names() -> None:
    """Else END is of another one: nothing says that this one was whole."""
    store = new_store("one head")
    put(store, "file", b"f" * 2000)
    place = newest(store.flash)
    ruling = survey(store.flash, PLAINLY).ruling
    assert survey(with_flipped(store.flash, 8 * place.start + 300), PLAINLY).ruling.is_mended
    layout = store._volume.state.layout
    end = ruling.lead * layout.block_bytes + layout.place_of(ruling.statement).end
    flash = with_flipped(store.flash, 8 * place.start + 300, 8 * end)
    assert not survey(flash, PLAINLY).ruling.is_mended
