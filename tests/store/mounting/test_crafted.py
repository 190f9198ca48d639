"""Flash that no store has written: sound checksums around what makes no sense, and what wears out or runs out. Each is
refused by its name, or the store goes round it."""

from __future__ import annotations

import errno
from collections.abc import Callable
from dataclasses import replace

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.flash import Error, Faults, Plan
from simfs.store.format import codec
from simfs.store.format.codec import NO_BLOCK, Kind
from simfs.store.format.runs import PLACE_MASK, kind_of
from simfs.store.format.statement import Statement, encode_statement
from simfs.store.log.seal import read_listing
from tests.support.on_flash import (
    churn,
    contents,
    flash_of,
    mounted,
    put,
    refusal,
    statements_on,
    worked_store,
)
from tests.support.sides import errno_of

BLOCK = 512


def with_frame(
    kind: Kind, file: int, offset: int, payload: bytes, store: Store | None = None, newest: bool = False
) -> bytes:
    """A store's image with one more frame, sound in itself, in a new block, and one behind it that says nothing, unless
    it is to be the newest frame; `file` 0 is that of "log"."""
    store = store or worked_store()
    state = store._volume.state
    node = store._volume.lookup(b"log")
    assert node is not None
    state.segments.advance(0)
    prefix = 4 if kind == Kind.HOLE else 0
    state.log.append(0, kind, file or node.number, offset, max(len(payload) - prefix, 0), payload)
    if not newest:
        state.log.append(0, Kind.LEFT, 99, 0, 8, bytes(8))
    return store.flash.image()


def write_refused(image: bytes, **sizes: int) -> str:
    """The text with which a mount that may write refuses the store; a read-only one gives what is sound of it."""
    flash = flash_of(image, **sizes)
    with pytest.raises(CorruptStore) as caught:
        Store.mount(flash)
    Store.mount(flash, read_only=True)
    return str(caught.value)


def state_first(store: Store) -> int:
    return store._volume.state.layout.first


@pytest.mark.parametrize(
    ("kind", "payload"),
    [
        (Kind.NAME, b""),
        (Kind.NAME, b"twelve bytes"),
        (Kind.NAME, b"two\0names"),
        (Kind.RENAME, b"only one"),
        (Kind.RENAME, b"a\0b\0c"),
        (Kind.RENAME, b"a\0"),
        (Kind.REMOVE, b"a\0b"),
        (Kind.REMOVE, b""),
    ],
)
def test_names_that_no_store_writes_are_refused(kind: Kind, payload: bytes) -> None:
    store = worked_store()
    image = with_frame(kind, 0, 0, payload, store)
    head = store._volume.state.log.heads[0]
    assert head is not None
    assert "a claim on a name makes no sense" in (text := write_refused(image))
    assert f"block {head.block} from byte {state_first(store)} " in text


def test_a_hole_that_begins_behind_its_end_is_refused() -> None:
    assert "a hole in a file can't be read, file 'log'" in write_refused(
        with_frame(Kind.HOLE, 0, 500, (501).to_bytes(4, "little"))
    )


def test_a_hole_too_short_to_say_where_it_begins_is_no_frame() -> None:
    assert "frames can't be read" in write_refused(with_frame(Kind.HOLE, 0, 500, b"abc"))
    store = worked_store()
    expected = contents(store)
    image = with_frame(Kind.HOLE, 0, 500, b"abc", store, newest=True)
    assert contents(Store.mount(flash_of(image), read_only=True)) == expected
    assert contents(Store.mount(flash_of(image))) == expected


def test_bytes_missing_inside_a_file_are_reported_by_their_place() -> None:
    size = len(contents(worked_store())["log"])
    image = with_frame(Kind.DATA, 0, size + 100, b"abc")
    assert f"bytes of a file are missing: from byte {size} on, file 'log'" in write_refused(image)


def test_a_file_that_says_more_than_the_flash_holds_is_refused() -> None:
    assert "bytes of a file are missing" in write_refused(with_frame(Kind.NAME, 0, 5000, b"log"))


def test_a_file_larger_than_any_is_refused() -> None:
    image = with_frame(Kind.DATA, 0, 2**32 - 3, b"12345")
    for read_only in (True, False):
        with pytest.raises(CorruptStore, match="the file b'log' has "):
            Store.mount(flash_of(image), read_only)


@pytest.mark.parametrize("block", [8, 2**32 - 1])
def test_what_is_told_of_a_block_that_the_flash_does_not_have_counts_for_nothing(block: int) -> None:
    store = worked_store()
    expected = contents(store)
    assert contents(Store.mount(flash_of(with_frame(Kind.BAD, block, 0, b"", store)))) == expected


def restated(change: Callable[[Statement], Statement]) -> bytes:
    """A store's image whose ruling statement says something else, sound in itself."""
    store = worked_store()
    state = store._volume.state
    state.segments.advance(0)
    lead = state.segments.lead
    image = bytearray(store.flash.image())
    (said,) = statements_on(store.flash)[lead]
    raw = encode_statement(lead, change(said))
    image[lead * BLOCK + said.address : lead * BLOCK + said.stop] = raw
    return bytes(image)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda said: replace(said, settings=said.settings._replace(flags=7 << 5)), r"impossible settings"),
        (lambda said: replace(said, settings=said.settings._replace(block_count=9)), r"made for 9 erase blocks, the"),
        (lambda said: replace(said, next=8), r"a statement names block 8, which is not on the flash"),
    ],
)
def test_statements_that_no_store_writes_are_refused(change: Callable[[Statement], Statement], says: str) -> None:
    assert says in refusal(restated(change))


@pytest.mark.parametrize("change", [{"base": 1 << 63}, {"head": 1}])
def test_a_statement_that_can_not_be_one_is_none(change: dict[str, int]) -> None:
    """Its place is taken for damage: the block before says that it is left."""
    text = write_refused(restated(lambda said: replace(said, **change)))
    assert "damaged" in text


def test_a_block_from_an_older_image_is_noticed() -> None:
    """The ruling statement has sums over the bases of all blocks in use."""
    store = worked_store()
    older = store.flash.image()
    churn(store, 30)
    store = Store.mount(store.flash)
    newer, found = store.flash.image(), 0
    in_use = {block for block, kind in enumerate(store.blocks()) if kind.state == "closed"}
    for block in in_use & statements_on(flash_of(older)).keys():
        image = newer[: block * BLOCK] + older[block * BLOCK : (block + 1) * BLOCK] + newer[(block + 1) * BLOCK :]
        if image != newer:
            assert f"block {block} from byte 0" in write_refused(image)
            found += 1
    assert found


def test_a_seal_that_lists_something_else_than_frames_is_found_out() -> None:
    """The run entry of a NAME points to the middle of another frame; entries and seal have their CRC."""
    store, image = sealed_store(), bytearray(sealed_store().flash.image())
    changed = 0
    for block in listing(store):
        entries = entries_of(store, block)
        names = [
            at for at, entry in enumerate(entries) if kind_of((int.from_bytes(entry[:8], "little"), 0, 0)) == Kind.NAME
        ]
        if names:
            entries[names[0]] = bytes((entries[names[0]][0] ^ 1,)) + entries[names[0]][1:]
            image = with_entries(store, image, block, entries)
            changed += 1
    assert changed
    assert "a claim on a name can't be read" in write_refused(image, **SIZES)


def test_a_seal_that_lists_a_place_behind_the_frames_is_not_believed() -> None:
    """Entries and seal have their CRC. The frames tell themselves what they are, so nothing is lost."""
    store = sealed_store()
    expected, image = contents(store), store.flash.image()
    for block in listing(store):
        entries = entries_of(store, block)
        listed = read_listing(store.flash, store._volume.state.layout, block)
        assert listed is not None
        assert with_entries(store, bytearray(image), block, entries) == image
        outside = int.from_bytes(entries[0][:4], "little") & ~PLACE_MASK | listed.seal.end + 1
        other = with_entries(
            store, bytearray(image), block, [outside.to_bytes(4, "little") + entries[0][4:], *entries[1:]]
        )
        assert "the seal of a block can't be read" in write_refused(other, **SIZES)
        assert contents(Store.mount(flash_of(other, **SIZES), read_only=True)) == expected


SIZES = {"block_bytes": 1024, "page_bytes": 128}


def sealed_store() -> Store:
    """A store of which several blocks list their runs."""
    store = Store.format(NorFlash(10, **SIZES), StoreConfig(buffer_bytes=64, name_bytes=12))
    for name in "abcd":
        put(store, name, bytes(600))
    return Store.mount(store.flash)


def listing(store: Store) -> list[int]:
    """The blocks whose seals list their runs."""
    blocks, layout = store._volume.state.blocks, store._volume.state.layout
    return [block for block in blocks.closed if (read_listing(store.flash, layout, block) or (0, 0))[1]]


def kind_in(entry: bytes) -> int:
    """The kind in a run entry."""
    return kind_of((int.from_bytes(entry[:8], "little"), 0, 0))


def entries_of(store: Store, block: int) -> list[bytes]:
    """The run entries before a block's seal, which lists some."""
    listed = read_listing(store.flash, store._volume.state.layout, block)
    assert listed is not None
    return [codec.ENTRY.pack(*entry) for entry in listed.entries or []]


def with_entries(store: Store, image: bytearray, block: int, entries: list[bytes]) -> bytearray:
    """The image with these run entries instead, and the CRC over them."""
    layout, salt = store._volume.state.layout, store._volume.state.blocks.salt[block]
    listed = read_listing(store.flash, layout, block)
    assert listed is not None
    raw, end = codec.encode_seal(entries, listed.seal, salt), block * layout.block_bytes + layout.seal_end
    image[end - len(raw) : end] = raw
    return image


def test_a_named_block_that_is_not_blank_is_erased_before_it_is_used() -> None:
    store = worked_store()
    expected = contents(store)
    ready = store._volume.state.blocks.named[0]
    image = bytearray(store.flash.image())
    image[ready * BLOCK + 300] = 0
    flash = flash_of(image)
    store = Store.mount(flash)
    counts = store.erase_counts
    churn(store, 12)  # a strict flash would refuse to program over the zero
    assert store.erase_counts[ready] > counts[ready]
    assert contents(store) == mounted(store) == expected | {"churn": bytes([11]) * 200}
    assert store.check() == []


def test_file_numbers_run_out_with_a_clear_error() -> None:
    store = worked_store()
    expected = contents(store)
    store._volume.state.next_number = 2**32 - 1
    put(store, "last", b"one")
    for call in (lambda: store.open("one more", "w"), lambda: store.open("log", "w")):
        with pytest.raises(OSError, match="file numbers of this store are used up; format it anew") as caught:
            call()
        assert caught.value.errno == errno.ENOSPC
    assert contents(store) == expected | {"last": b"one"}
    put(store, "log", b"still appends", "a")
    store.remove("last")
    store = Store.mount(store.flash)
    with pytest.raises(OSError, match="used up"):
        store.open("one more", "w")
    assert store.check() == []


def test_an_open_handle_of_a_store_that_wears_out_is_refused_from_then_on() -> None:
    """Every erase fails, so that one block after the other goes bad, and what is acknowledged stays."""
    plan = Plan(Faults(errors=(Error("erase", at=2, for_ever=True),)))
    store = Store.format(NorFlash(8, 512, 64, faults=plan), StoreConfig(buffer_bytes=32, name_bytes=12))
    put(store, "kept", b"k" * 60)
    file = store.open("log", "w")
    written = b""
    for number in range(10_000):
        file.seek(0)
        if errno_of(file.write, bytes([number % 256]) * 32) is not None:
            break
        written = bytes([number % 256]) * 32
    assert store._volume.read_only
    for call in (lambda: file.write(b"x"), lambda: file.truncate(0), lambda: store.open("new", "w")):
        with pytest.raises(OSError, match=r".") as caught:
            call()
        assert caught.value.errno == errno.EROFS
    found = mounted(store)
    assert found["kept"] == b"k" * 60
    assert found["log"] == written


def test_an_unused_head_names_no_block() -> None:
    store = Store.format(NorFlash(8, 512, 64), StoreConfig(buffer_bytes=32, name_bytes=12, log_heads=2))
    put(store, "a", b"abc")
    assert [said.other.block for found in statements_on(store.flash).values() for said in found] == [NO_BLOCK]
