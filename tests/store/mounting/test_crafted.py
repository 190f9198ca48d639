"""Flash that no store has written: sound checksums around what makes no sense, and what wears out or runs out. Each is
refused by its name, or the store goes round it."""

from __future__ import annotations

import errno
from collections.abc import Callable

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.flash import Error, Faults, Plan
from simfs.store.format import codec
from simfs.store.format.codec import DISCARD_AT, DISCARDED, HEADER_BYTES, NO_BLOCK, RECORD_BYTES, SEAL_BYTES, Kind
from simfs.store.format.runs import PLACE_MASK
from simfs.store.log.block_scan import read_seal
from tests.support.on_flash import OPEN_AT, churn, contents, flash_of, frames_on, mounted, put, refusal, worked_store
from tests.support.sides import errno_of

BLOCK = 512


def with_frame(
    kind: Kind, file: int, offset: int, payload: bytes, store: Store | None = None, newest: bool = False
) -> bytes:
    """A store's image with one more frame, sound in itself, in a new block, and a MARK behind it as a mount would leave
    it, unless it is to be the newest frame; `file` 0 is that of "log"."""
    store = store or worked_store()
    state = store._volume.state
    node = store._volume.lookup(b"log")
    assert node is not None
    state.segments.advance(0)
    prefix = 4 if kind == Kind.HOLE else 0
    state.log.append(0, kind, file or node.number, offset, max(len(payload) - prefix, 0), payload)
    if not newest:
        state.log.append(0, Kind.MARK, 0, 0, 0, b"")
    return store.flash.image()


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
    assert f"damaged frame in block {head.block} at byte {RECORD_BYTES} " in refusal(image)


def test_a_hole_that_begins_behind_its_end_is_refused() -> None:
    assert "damaged frame in block" in refusal(with_frame(Kind.HOLE, 0, 500, (501).to_bytes(4, "little")))


def test_a_hole_too_short_to_say_where_it_begins_is_no_frame() -> None:
    assert "damaged frame in block" in refusal(with_frame(Kind.HOLE, 0, 500, b"abc"))
    store = worked_store()
    expected = contents(store)
    image = with_frame(Kind.HOLE, 0, 500, b"abc", store, newest=True)
    assert contents(Store.mount(flash_of(image), read_only=True)) == expected
    assert contents(Store.mount(flash_of(image))) == expected


def test_bytes_missing_inside_a_file_are_reported_by_their_place() -> None:
    size = len(contents(worked_store())["log"])
    image = with_frame(Kind.DATA, 0, size + 100, b"abc")
    assert f"bytes of the file b'log' are missing: from byte {size} on" in refusal(image)


def test_a_file_that_says_more_than_the_flash_holds_is_refused() -> None:
    assert "bytes of the file b'log' are missing" in refusal(with_frame(Kind.NAME, 0, 5000, b"log"))


def test_a_file_larger_than_any_is_refused() -> None:
    assert "the file b'log' has " in refusal(with_frame(Kind.DATA, 0, 2**32 - 3, b"12345"))


@pytest.mark.parametrize("block", [6, 2**32 - 1])
def test_a_bad_block_that_the_flash_does_not_have_is_refused(block: int) -> None:
    assert f"a frame calls block {block} bad" in refusal(with_frame(Kind.BAD, block, 0, b""))


def test_an_open_block_that_is_called_bad_is_refused() -> None:
    store = worked_store()
    state = store._volume.state
    state.segments.advance(0)
    head = state.log.heads[0]
    assert head is not None
    state.log.append(0, Kind.BAD, head.block, 0, 0, b"")
    assert f"a frame calls block {head.block} bad" in refusal(store.flash.image())


def reopened(change: Callable[[codec.OpenRecord], codec.OpenRecord]) -> bytes:
    """A store's image whose newest block has another open record, sound in itself."""
    store = worked_store()
    state = store._volume.state
    state.segments.advance(0)
    head = state.log.heads[0]
    assert head is not None
    image = bytearray(store.flash.image())
    record = codec.decode_open_record(image[head.start + OPEN_AT : head.end])
    assert record is not None
    raw, _ = codec.encode_open_record(change(record[0]))
    image[head.start + OPEN_AT : head.start + OPEN_AT + len(raw)] = raw
    return bytes(image)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda record: record._replace(head=1), r"is of log head 1; the store has 1"),
        (lambda record: record._replace(base=1 << 63), r"has the sequence number 9223372036854775808, which no store"),
        (lambda record: record._replace(flags=7 << 5), r"impossible settings"),
        (lambda record: record._replace(block_count=7), r"made for 7 erase blocks, the flash has 6"),
    ],
)
def test_open_records_that_no_store_writes_are_refused(
    change: Callable[[codec.OpenRecord], codec.OpenRecord], says: str
) -> None:
    assert says in refusal(reopened(change))


def test_a_store_whose_every_block_is_discarded_is_refused() -> None:
    store = Store.format(NorFlash(6, 512, 64), StoreConfig(buffer_bytes=32, name_bytes=12))
    image = bytearray(store.flash.image())
    for start in range(0, len(image), BLOCK):
        if codec.decode_open_record(image[start + OPEN_AT : start + BLOCK]) is not None:
            image[start + DISCARD_AT : start + DISCARD_AT + len(DISCARDED)] = DISCARDED
    assert "no block of this flash holds a sound log head" in refusal(image)


def test_a_seal_that_lists_something_else_than_frames_is_found_out() -> None:
    """The run entry of a NAME points to the middle of another frame; entries and seal have their CRC."""
    sizes = {"block_bytes": 1024, "page_bytes": 128}
    store = Store.format(NorFlash(8, **sizes), StoreConfig(buffer_bytes=64, name_bytes=12))
    for name in "abcd":
        put(store, name, bytes(600))
    store = Store.mount(store.flash)
    image = bytearray(store.flash.image())
    changed = 0
    for block in (view.number for view in store.blocks() if view.state == "closed"):
        end = (block + 1) * 1024
        seal = codec.decode_seal(image[end - SEAL_BYTES : end])
        assert seal is not None
        if seal.entry_count == codec.UNLISTED:
            continue
        begin = end - SEAL_BYTES - seal.entry_count * codec.ENTRY_BYTES
        entries = [bytes(image[at : at + 16]) for at in range(begin, end - SEAL_BYTES, 16)]
        names = [at for at, entry in enumerate(entries) if entry[3] == Kind.NAME]
        if names:
            entries[names[0]] = (entries[names[0]][0] ^ 1).to_bytes(1, "little") + entries[names[0]][1:]
            image[begin:end] = codec.encode_seal(entries, seal, store._volume.state.blocks.salt[block])
            changed += 1
    assert changed
    assert "damaged frame in block" in refusal(image, **sizes)


def test_a_seal_that_lists_a_place_outside_the_frames_is_not_believed() -> None:
    """Entries and seal have their CRC. The frames tell themselves what they are, so nothing is lost."""
    sizes = {"block_bytes": 1024, "page_bytes": 128}
    store = Store.format(NorFlash(8, **sizes), StoreConfig(buffer_bytes=64, name_bytes=12))
    for name in "abcd":
        put(store, name, bytes(600))
    expected, image = contents(store), bytearray(store.flash.image())
    state = store._volume.state
    for block in state.blocks.closed:
        seal, runs = read_seal(state, block) or (None, None)
        assert seal is not None
        assert runs
        end, salt = (block + 1) * 1024, state.blocks.salt[block]
        entries = [bytes(image[end - SEAL_BYTES - 16 * number :][:16]) for number in range(len(runs), 0, -1)]
        assert codec.encode_seal(entries, seal, salt) == image[end - SEAL_BYTES - 16 * len(runs) : end]
        for outside in (RECORD_BYTES - 1, seal.end + 1):
            changed = int.from_bytes(entries[0][:4], "little") & ~PLACE_MASK | outside
            raw = codec.encode_seal([changed.to_bytes(4, "little") + entries[0][4:], *entries[1:]], seal, salt)
            other = image[: end - len(raw)] + raw + image[end:]
            assert read_seal(Store.mount(flash_of(other, **sizes), read_only=True)._volume.state, block) is None
            assert contents(Store.mount(flash_of(other, **sizes), read_only=True)) == expected
            assert contents(Store.mount(flash_of(other, **sizes))) == expected


def test_a_frame_in_whose_place_another_was_written_again_does_not_count() -> None:
    """A mount wrote its MARK on the next page, over the rest of a frame that was cut, and by chance the cut frame's CRC
    holds over that."""
    sizes = {"block_bytes": 1024, "page_bytes": 64}
    store = Store.format(NorFlash(8, **sizes), StoreConfig(buffer_bytes=100, name_bytes=12))
    put(store, "a", b"counts")
    state, node = store._volume.state, store._volume.lookup(b"a")
    head = state.log.heads[0]
    assert node is not None
    assert head is not None
    again = codec.encode_frame(Kind.MARK, 0, 0, state.log.sequence - head.base + 1, b"", head.salt, 1)
    before = -(head.at + HEADER_BYTES) % 64
    payload = b"n" * before + again
    state.log.write(0, node.number, node.size, payload)
    for read_only in (True, False):
        assert contents(Store.mount(flash_of(store.flash.image(), **sizes), read_only)) == {"a": b"counts"}


def test_a_ready_block_that_is_not_blank_is_erased_before_it_is_used() -> None:
    store = worked_store()
    expected = contents(store)
    ready = store._volume.state.blocks.ready[0][1]
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
    assert {frame.kind for frame in frames_on(store.flash)} >= {Kind.BAD}


def test_an_unused_head_names_no_block() -> None:
    store = Store.format(NorFlash(8, 512, 64), StoreConfig(buffer_bytes=32, name_bytes=12, log_heads=2))
    put(store, "a", b"abc")
    records = [
        found[0]
        for start in range(0, 8 * BLOCK, BLOCK)
        if (found := codec.decode_open_record(store.flash.image()[start + OPEN_AT : start + BLOCK]))
    ]
    assert [(record.opened == NO_BLOCK, record.opened_too == NO_BLOCK) for record in records] == [(False, True)]
