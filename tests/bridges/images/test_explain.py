"""What is left of a damaged image: told exactly, and never anything wrong as right."""

from __future__ import annotations

from contextlib import suppress
from random import Random

import pytest

from simfs import NorFlash, PowerCut, Store, StoreConfig
from simfs.bridges.images.explained import Explained, FileLeft, contents_left, explain
from simfs.bridges.images.source import Image, find_stores
from simfs.bridges.images.text import as_text, verdict
from simfs.bridges.images.words import damage_in_words, state_of
from simfs.flash import Faults
from simfs.flash.fault_data import Cut, Error
from simfs.flash.plan import Plan
from simfs.store.log.state import Damage
from tests.support.on_flash import contents, put


def worked(seed: int, operations: int = 120) -> Store:
    """A store after some of everything."""
    random = Random(seed)
    config = StoreConfig(
        buffer_bytes=random.choice((64, 100)), log_heads=random.choice((1, 2)), fold_case=random.random() < 0.3,
        packing=random.choice(("byte", "byte", "page")), name_bytes=24,
    )  # fmt: skip
    flash = NorFlash(random.choice((10, 12)), 2048, 128, program_unit_bytes=random.choice((1, 4)))
    store = Store.format(flash, config)
    for _ in range(operations):
        with suppress(OSError):
            operate(store, random)
    return store


def operate(store: Store, random: Random) -> None:
    names = [f"/f{number}" for number in range(6)]
    name, what = random.choice(names), random.random()
    name = name.upper() if random.random() < 0.2 else name
    if what < 0.6:
        put(store, name, random.randbytes(random.randrange(1, 120)), random.choice(("a", "a", "w")))
    elif what < 0.7:
        with store.open(name, "r+") as file:
            file.seek(random.randrange(200))
            file.write(random.randbytes(20))
    elif what < 0.8:
        store.rename(name, random.choice(names))
    elif what < 0.9:
        store.truncate(name, random.randrange(200))
    else:
        store.remove(name)


def explained(data: bytes | bytearray, address: int = 0) -> Explained:
    return explain(Image("image", bytes(data), find_stores(bytes(data))[0].settings, address))


def whole(found: Explained) -> dict[str, bytes]:
    assert found.store is not None
    return {file.name: contents_left(found.store, file) for file in found.files}


@pytest.mark.parametrize("seed", range(12))
def test_of_a_sound_store_all_is_left(seed: int) -> None:
    store = worked(seed)
    found = explained(store.flash.image())
    assert not found.damaged
    assert not found.refusal
    assert whole(found) == contents(store)
    assert all(file.sound for file in found.files)
    assert as_text(found).splitlines()[1].startswith("sound: every byte was read; ")


@pytest.mark.parametrize("seed", range(4))
def test_after_a_power_cut_it_is_what_a_mount_finds(seed: int) -> None:
    random = Random(seed)
    for _ in range(6):
        before = worked(seed, 60)
        leaves = random.choice(("nothing", "bytes few", "bytes most", "bits half", "all"))
        cut = Faults(seed=seed, cuts=(Cut(random.randrange(20), leaves, "program"),))
        flash = NorFlash.from_image(before.flash.image(), datasheet=before.flash.datasheet, faults=Plan(cut))
        with suppress(PowerCut):
            store = Store.mount(flash)
            while True:
                with suppress(OSError):
                    operate(store, random)
        flash.power_on()
        found = explained(flash.image())
        assert not found.damaged, as_text(found)
        assert whole(found) == contents(Store.mount(flash))


def test_a_block_that_failed_counts_no_more() -> None:
    errors = (Error("program", at=3, block=5, for_ever=True), Error("erase", block=2, for_ever=True))
    flash = NorFlash(14, 1024, 128, faults=Plan(Faults(errors=errors)))
    store, random = Store.format(flash, StoreConfig(buffer_bytes=64, name_bytes=24)), Random(4)
    for _ in range(400):
        with suppress(OSError):
            operate(store, random)
    assert {view.number for view in store.blocks() if view.state == "bad"} == {2, 5}
    found = explained(flash.image())
    assert not found.damaged
    assert whole(found) == contents(store)
    assert "2 bad" in as_text(found)


@pytest.mark.parametrize(("hurt", "lost"), [(0, (0, 256)), (1, (256, 512)), (2, (512, 600))])
def test_the_lost_bytes_are_named_exactly(hurt: int, lost: tuple[int, int]) -> None:
    """And older ones never stand for them."""
    store = Store.format(NorFlash(16, 4096, 256))
    put(store, "/a", b"A" * 600)
    put(store, "/a", b"B" * 600, "r+")
    put(store, "/b", b"b" * 4000)
    data = store.flash.image()
    begin = [at for at in range(len(data) - 80) if data.startswith(b"B" * 80, at) and data[at - 1] != ord("B")][hurt]
    found = explained(data[: begin + 30] + b"\0" + data[begin + 31 :], 0x100)
    ours, other = found.files
    assert ours == FileLeft("/a", 600, (lost,), hurt=True)
    assert other == FileLeft("/b", 4000)
    assert whole(found)["/a"] == b"B" * lost[0] + bytes(lost[1] - lost[0]) + b"B" * (600 - lost[1])
    (damage,) = found.damages
    assert damage.begin <= 0x100 + begin + 30 < damage.end
    assert damage.names == ("/a",)


def test_bytes_that_the_file_lacks_make_every_file_doubtful() -> None:
    """Though they would have been blank: nobody knows."""
    data = worked(1).flash.image()
    blank = len(data.rstrip(b"\xff"))
    settings = find_stores(data)[0].settings
    found = explain(Image("image", data, settings, 0x40, [(blank, len(data))]))
    (damage,) = found.damages
    assert (damage.begin, damage.end) == (0x40 + blank, 0x40 + len(data))
    assert all(file.maybe and not file.lost for file in found.files)
    assert "0 sound, 0 hurt" in verdict(found)


def test_nothing_of_the_image_reaches_the_terminal_as_a_command() -> None:
    store = Store.format(NorFlash(16, 4096, 256))
    put(store, "/\x1b[2Jx", b"1" * 300)
    data = bytearray(store.flash.image())
    for at in (None, data.index(b"1" * 200)):
        if at is not None:
            data[at] ^= 1
        for text in (as_text(explained(data)), verdict(explained(data))):
            assert all(line.isprintable() for line in text.split("\n"))


@pytest.mark.parametrize(
    ("file", "words"),
    [
        (FileLeft("/a", 5), "whole"),
        (FileLeft("/a", 5000, ((0, 5), (7, 10), (20, 21), (4000, 4100)), hurt=True),
         "109 bytes are lost: 0 to 5, 7 to 10, 20 to 21 and 1 more stretch"),
        (FileLeft("/a", 5, hurt=True), "bytes at its end, or newer ones, are lost"),
        (FileLeft("/a", 5, maybe=True), "may be older or shorter than it was"),
        (FileLeft("/a", None, hurt=True), "gone"),
        (FileLeft("/a", None, maybe=True), "it may be gone"),
    ],
)  # fmt: skip
def test_what_is_left_of_a_file_in_words(file: FileLeft, words: str) -> None:
    assert state_of(file) == words
    assert file.sound == (words == "whole")


def test_a_damage_in_words() -> None:
    names = tuple(f"/{number}" for number in range(10))
    assert damage_in_words(Damage(16, 32, "it is gone")) == "0x10 to 0x20: it is gone"
    assert damage_in_words(Damage(16, 32, "it is gone", ("/a",), names)) == (
        "0x10 to 0x20: it is gone; hurt: /a; "
        "may be older or shorter: /0, /1, /2, /3, /4, /5, /6, /7 and 2 more"
    )  # fmt: skip


def test_a_dump_that_is_cut_off_lacks_a_range_and_not_block_after_block() -> None:
    """The log has gone round once, so that its newest block comes before the end of the dump."""
    flash = NorFlash(32, 2048, 128)
    store = Store.format(flash, StoreConfig(name_bytes=24, buffer_bytes=64))
    for number in range(29):
        put(store, f"/{number % 14}", bytes([number]) * 2500)
    cut_off = flash.image()[: 20 * 2048] + b"\xff" * 12 * 2048
    found = explained(cut_off)
    assert found.store is not None
    apart = [damage for damage in found.store.damages if not damage.names]
    joined = [damage for damage in found.damages if not damage.names]
    assert len(apart) > 5 > len(joined)
    assert sum(damage.end - damage.begin for damage in joined) == sum(damage.end - damage.begin for damage in apart)
