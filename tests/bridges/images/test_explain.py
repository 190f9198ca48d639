"""What is left of a damaged image: told exactly where the flash still tells it, and never anything wrong as right."""

from __future__ import annotations

from contextlib import suppress
from random import Random

import pytest

from simfs import NorFlash, PowerCut, Store, StoreConfig
from simfs.bridges.images.files import FileLeft, Piece, replay_files
from simfs.bridges.images.salvage import BlockLeft, Left, leave_out
from simfs.bridges.images.source import Image, find_stores
from simfs.bridges.images.text import Explained, as_text, explain
from simfs.flash import Faults
from simfs.flash.fault_data import Cut, Error
from simfs.flash.plan import Plan
from simfs.store.format import codec


def worked(seed: int, operations: int = 120) -> Store:
    """A store after some of everything."""
    random = Random(seed)
    config = StoreConfig(
        buffer_bytes=random.choice((64, 100)), log_heads=random.choice((1, 2)), fold_case=random.random() < 0.3,
        packing=random.choice(("byte", "byte", "page")), name_bytes=24,
    )  # fmt: skip
    flash = NorFlash(random.choice((8, 12)), random.choice((1024, 2048)), 128, program_unit_bytes=random.choice((1, 4)))
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
        with store.open(name, random.choice(("a", "a", "w"))) as file:
            file.write(random.randbytes(random.randrange(1, 120)))
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


def contents_of(store: Store) -> dict[str, bytes]:
    found = {}
    for name in store.names():
        with store.open(name) as file:
            found[name] = file.read() or b""
    return found


def explained(data: bytes) -> Explained:
    return explain(Image("image", data, find_stores(data)[0].record))


def whole(found: Explained) -> dict[str, bytes]:
    return {file.name or "": file.contents() for file in found.files.named}


@pytest.mark.parametrize("seed", range(12))
def test_of_a_sound_store_all_is_left(seed: int) -> None:
    store = worked(seed)
    found = explained(store.flash.image())
    assert not found.damaged
    assert not found.refusal
    assert whole(found) == contents_of(store)
    assert not any(file.lost() for file in found.files.named)
    assert "Every frame is sound." in as_text(found)


def test_what_is_said_to_be_there_is_right() -> None:
    """Where the report can tell all damage, every file is there, and all but its lost bytes as they were."""
    assert sum(right_where_told(seed) for seed in range(8)) >= 30


def right_where_told(seed: int) -> int:
    """How often all was told, of 15 damages of one store."""
    store = worked(seed)
    truth, random, told = contents_of(store), Random(seed), 0
    image = store.flash.image()
    written = [at for at, byte in enumerate(image) if byte != 0xFF]
    for _ in range(15):
        at, count = random.choice(written), random.choice((1, 1, 3, 40))
        hurt = bytes(byte ^ random.randrange(1, 256) for byte in image[at : at + count])
        found = explained(image[:at] + hurt + image[at + len(hurt) :])
        in_doubt = any(damage.harmless for block in found.blocks for damage in block.damage)
        if in_doubt or found.untold or found.files.claims_lost:
            continue
        told += 1
        assert {file.name for file in found.files.named} == truth.keys()
        for file in found.files.named:
            kept, right = bytearray(file.contents()), bytearray(truth[file.name or ""])
            for start, end in file.lost():
                kept[start:end] = right[start:end] = bytes(end - start)
            assert kept == right, file.name
    return told


@pytest.mark.parametrize("seed", range(4))
def test_after_a_power_cut_it_is_what_a_mount_finds(seed: int) -> None:
    random = Random(seed)
    for _ in range(6):
        before = worked(seed, 60)
        leaves = random.choice(("nothing", f"bytes {random.randrange(1, 17)}", "bits half", "all"))
        cut = Faults(seed=seed, cuts=(Cut(random.randrange(20), leaves, "program"),))
        flash = NorFlash.from_image(before.flash.image(), datasheet=before.flash.datasheet, faults=Plan(cut))
        with suppress(PowerCut):
            store = Store.mount(flash)
            while True:
                with suppress(OSError):
                    operate(store, random)
        flash.power_on()
        found = explained(flash.image())
        assert not found.refusal
        assert whole(found) == contents_of(Store.mount(flash, read_only=True))
        again = NorFlash.from_image(flash.image(), datasheet=flash.datasheet)
        for _ in range(3):  # what was settled, and what came after it
            store = Store.mount(again)
            for _ in range(4):
                with suppress(OSError):
                    operate(store, random)
            found = explained(again.image())
            assert not found.damaged, as_text(found)
            assert whole(found) == contents_of(store)


def test_a_block_that_failed_counts_no_more() -> None:
    errors = (Error("program", at=3, block=5, for_ever=True), Error("erase", block=2, for_ever=True))
    flash = NorFlash(12, 1024, 128, faults=Plan(Faults(errors=errors)))
    store, random = Store.format(flash, StoreConfig(buffer_bytes=64, name_bytes=24)), Random(4)
    for _ in range(400):
        with suppress(OSError):
            operate(store, random)
    bad = {view.number for view in store.blocks() if view.state == "bad"}
    assert bad == {2, 5}
    found = explained(flash.image())
    assert {block.number for block in found.blocks if block.state == "bad"} == bad
    assert whole(found) == contents_of(store)
    assert not found.damaged


@pytest.mark.parametrize(("hurt", "lost"), [(0, (0, 256)), (1, (256, 512)), (2, (512, 600))])
def test_older_bytes_never_stand_for_lost_ones(hurt: int, lost: tuple[int, int]) -> None:
    store = Store.format(NorFlash(16, 4096, 256))
    with store.open("/a", "w") as file:
        file.write(b"A" * 600)
    with store.open("/a", "r+") as file:
        file.write(b"B" * 600)
    with store.open("/b", "w") as file:
        file.write(b"b" * 4000)
    data = bytearray(store.flash.image())
    at = data.index(b"B" * 80) - codec.HEADER_BYTES + hurt * (256 + codec.FRAME_BYTES)
    data[at : at + codec.HEADER_BYTES] = b"\x01" * codec.HEADER_BYTES
    found = explained(bytes(data))
    file_a = found.files.named[0]
    assert (file_a.name, file_a.lost()) == ("/a", [lost])
    assert set(file_a.contents()) == {0, ord("B")}
    assert not found.untold


def test_a_removed_file_has_not_lost_its_name() -> None:
    store, _ = two_files()
    store.remove("/b")
    data = bytearray(store.flash.image())
    data[data.index(b"A" * 200)] ^= 1
    found = explained(bytes(data))
    assert sorted(whole(found)) == ["/a", "/c"]
    assert found.files.nameless == []


def test_a_file_that_should_be_longer_lacks_its_end() -> None:
    file = FileLeft(1)
    file.put(0, 5, b"12345")
    file.cut(10)
    assert (file.size_bytes, file.lost(), file.contents()) == (10, [(5, 10)], b"12345" + bytes(5))


def two_files() -> tuple[Store, bytearray]:
    """Block 0 is sealed: its seal lists the runs of /a and /b."""
    store = Store.format(NorFlash(16, 4096, 256))
    for name, byte in (("/a", b"A"), ("/b", b"B"), ("/c", b"C")):
        with store.open(name, "w") as file:
            file.write(byte * 1500)
    return store, bytearray(store.flash.image())


def test_the_lost_bytes_are_named_exactly() -> None:
    _, data = two_files()
    data[data.index(b"A" * 200) + 30] ^= 1
    found = explained(bytes(data))
    lost = {file.name: file.lost() for file in found.files.named}
    assert lost == {"/a": [(0, 256)], "/b": [], "/c": []}
    assert (found.untold, found.files.claims_lost) == (False, 0)
    text = as_text(found)
    assert "contents of a DATA frame: file 1, bytes 0 to 256" in text
    assert "256 bytes are lost: 0 to 256" in text
    assert "3 files: 2 whole, 1 with bytes lost." in text


def test_the_seal_says_what_a_damaged_frame_header_said() -> None:
    _, data = two_files()
    at = data.index(b"A" * 200) - codec.HEADER_BYTES
    data[at : at + codec.HEADER_BYTES] = bytes(codec.HEADER_BYTES)
    found = explained(bytes(data))
    assert {file.name: file.lost() for file in found.files.named} == {"/a": [(0, 256)], "/b": [], "/c": []}
    assert not found.untold


def test_without_the_seal_nothing_tells_and_that_is_said() -> None:
    _, data = two_files()
    at = data.index(b"A" * 200) - codec.HEADER_BYTES
    data[at : at + codec.HEADER_BYTES] = bytes(codec.HEADER_BYTES)
    data[4096 - 16 : 4096] = bytes(16)
    found = explained(bytes(data))
    assert found.untold
    assert found.refusal
    assert "any file may be older than it was" in as_text(found)
    assert {file.name: file.lost() for file in found.files.named}["/a"] == [(0, 256)]


@pytest.mark.parametrize("listed", [True, False])
def test_zeros_that_are_lost_do_not_shrink_the_file(listed: bool) -> None:
    store = Store.format(NorFlash(16, 4096, 256))
    with store.open("/h", "w") as file:
        file.write(b"H" * 100)
        file.truncate(700)
    with store.open("/other", "w") as file:
        file.write(b"o" * 4000)
    data = bytearray(store.flash.image())
    hole = data.index(codec.U32.pack(100), data.index(b"H" * 100) + 116)
    data[hole] ^= 1
    if not listed:
        data[4096 - 16 : 4096] = bytes(16)
    found = explained(bytes(data))
    assert {file.name: file.lost() for file in found.files.named} == {"/h": [(100, 700)], "/other": []}
    assert found.untold
    assert "zeros up to byte 700 of /h" in as_text(found)


def test_a_lost_name_is_reported() -> None:
    _, data = two_files()
    data[data.index(b"/a")] ^= 1
    found = explained(bytes(data))
    assert found.files.claims_lost == 1
    assert sorted(whole(found)) == ["/b", "/c"]
    assert [(file.number, file.contents()) for file in found.files.nameless] == [(1, b"A" * 1500)]
    text = as_text(found)
    assert "(no name, number 1)" in text
    assert "what a NAME frame said of file number 1, whose name is not known" in text


def test_a_block_without_a_header_is_reported() -> None:
    _, data = two_files()
    data[0:128] = bytes(range(1, 129))
    found = explained(bytes(data))
    assert found.blocks[0].state == "no header"
    assert found.untold
    assert found.damaged


def test_an_open_block_without_a_header_held_what_came_last() -> None:
    store, data = two_files()
    block = next(view.number for view in store.blocks() if view.state == "open")
    place = block * 4096
    record = find_stores(bytes(data))[0].record
    data[place : place + 128] = b"\x11" * 128
    found = explain(Image("image", bytes(data), record))
    assert "it held what was written last" in as_text(found)


def test_one_record_rotten_its_copy_serves() -> None:
    store, data = two_files()
    data[32] ^= 1
    found = explained(bytes(data))
    assert whole(found) == contents_of(store)
    assert "its copy serves" in as_text(found)
    assert not found.untold


def test_a_torn_header_that_announces_more_than_fits() -> None:
    store, data = two_files()
    block = next(view.number for view in store.blocks() if view.state == "open")
    end = data.rindex(b"C" * 100) + 100 + 4
    salt = codec.U32.unpack_from(data, block * 4096 + 84)[0]
    torn = codec.encode_frame(codec.Kind.DATA, 3, 1500, 999, b"C" * 60_000, salt)[: codec.HEADER_BYTES]
    end += next(at for at in range(200) if data[end + at : end + at + 16] == b"\xff" * 16)
    data[end : end + len(torn)] = torn
    found = explained(bytes(data))
    assert [damage.harmless for damage in found.blocks[block].damage] == [True]
    assert found.blocks[block].damage[0].end == (block + 1) * 4096
    assert whole(found) == contents_of(store)


def test_missing_bytes_are_reported() -> None:
    _, data = two_files()
    image = Image(
        "image", bytes(data[:-5000]) + b"\xff" * 5000, find_stores(bytes(data))[0].record, 0, [(60536, 65536)]
    )
    found = explain(image)
    assert found.untold
    assert "The file has no bytes for 0xec78 to 0x10000;" in as_text(found)


def test_nothing_of_the_image_reaches_the_terminal_as_a_command() -> None:
    store = Store.format(NorFlash(16, 4096, 256))
    with store.open("/\x1b[2Jx", "w") as file:
        file.write(b"1" * 300)
    data = bytearray(store.flash.image())
    for at in (None, data.index(b"1" * 200)):
        if at is not None:
            data[at] ^= 1
        assert all(line.isprintable() for line in as_text(explained(bytes(data))).split("\n"))


def naive(puts: list[tuple[int, int, bool]], size: int) -> list[str]:
    cells = ["?"] * size
    for number, (start, end, lost) in enumerate(puts):
        cells[start:end] = ["lost" if lost else str(number)] * (end - start)
    return cells


@pytest.mark.parametrize("seed", range(20))
def test_newer_pieces_take_the_place_of_older_ones(seed: int) -> None:
    random = Random(seed)
    file, puts = FileLeft(1), []
    for number in range(random.randrange(1, 12)):
        start = random.randrange(60)
        puts.append((start, random.randrange(start, 64), random.random() < 0.2))
        begin, end, lost = puts[-1]
        file.put(begin, end, None if lost else bytes([number]) * (end - begin), lost=lost)
    cells = naive(puts, 64)
    size = max((at + 1 for at, cell in enumerate(cells) if cell != "?"), default=0)
    assert file.size_bytes == size
    missing = {at for start, end in file.lost() for at in range(start, end)}
    assert missing == {at for at in range(size) if cells[at] in ("?", "lost")}
    assert all(file.contents()[at] == int(cells[at]) for at in range(size) if at not in missing)
    assert all(isinstance(piece, Piece) and piece.start < piece.end for piece in file.pieces)


def test_a_hole_too_short_to_say_where_its_zeros_begin_is_no_frame() -> None:
    _, data = two_files()
    salt = codec.U32.unpack_from(data, 84)[0]
    at = data.index(b"A" * 200) - codec.HEADER_BYTES
    crafted = codec.encode_frame(codec.Kind.HOLE, 1, 0, 500, b"x", salt)
    data[at : at + 276] = (b"\x01" * 20 + crafted).ljust(276, b"\x01")
    found = explained(bytes(data))
    assert {file.name: file.lost() for file in found.files.named} == {"/a": [(0, 256)], "/b": [], "/c": []}


def left(sequence: int, kind: codec.Kind, file: int, payload: bytes | None, offset: int = 0) -> Left:
    return Left(sequence, kind, file, offset, len(payload or b""), payload)


def test_a_block_without_a_seal_counts_below_the_one_that_its_head_opened_next() -> None:
    one = BlockLeft(0, "left", 0, 0, [left(sequence, codec.Kind.MARK, 0, b"") for sequence in (1, 2, 3, 4)])
    other_head = BlockLeft(1, "left", 2, 1, [left(3, codec.Kind.MARK, 0, b"")])
    following = BlockLeft(2, "left", 3, 0, [left(5, codec.Kind.MARK, 0, b"")])
    leave_out([one, other_head, following])
    assert [frame.sequence for frame in one.frames] == [1, 2]
    assert [block.state for block in (one, other_head, following)] == ["left", "open", "open"]
    assert len(other_head.frames) == len(following.frames) == 1


def test_a_removal_holds_though_the_name_before_it_is_lost() -> None:
    frames = [left(2, codec.Kind.DATA, 7, b"data"), left(3, codec.Kind.REMOVE, 7, b"/a")]
    assert replay_files([BlockLeft(0, "open", frames=frames)], False).nameless == []
    assert len(replay_files([BlockLeft(0, "open", frames=frames[:1])], False).nameless) == 1


def test_a_file_has_one_name_even_if_its_renaming_is_lost() -> None:
    frames = [
        left(2, codec.Kind.NAME, 7, b"/a"),
        left(4, codec.Kind.NAME, 7, b"/b"),
        left(5, codec.Kind.REMOVE, 7, b"/b"),
    ]
    found = [replay_files([BlockLeft(0, "open", frames=frames[:count])], False).named for count in (1, 2, 3)]
    assert [[file.name for file in named] for named in found] == [["/a"], ["/b"], []]
