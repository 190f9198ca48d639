"""Rules of the format, looked at on the flash while a store works: what is programmed and erased, when, and what must
stand there before. The power-cut campaigns rest on them."""

from __future__ import annotations

from collections import Counter
from random import Random

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.flash import FaultHooks
from simfs.store.format import codec
from simfs.store.format.codec import FRAME_BYTES, HEADER_BYTES, SEAL_BYTES, Kind
from tests.store.tables.test_claims import assert_claims_hold
from tests.support.on_flash import contents, decode_seal, frames_on, mounted, put, statements_on

BLOCK, PAGE = 1024, 128
LEFT_AT, SEALING_AT, SEAL_END = BLOCK - 1, BLOCK - 2, BLOCK - 2


class Watch(FaultHooks):
    """Notes each change, and what stood in the block just before an erase."""

    def __init__(self) -> None:
        self.erased: list[tuple[int, bytes]] = []  # block, its bytes
        self.images: list[tuple[int, bytearray]] = []  # block, the whole flash
        self.programmed: list[tuple[int, int, bytes]] = []  # address, length, the block's bytes before

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        start = address - address % BLOCK
        self.programmed.append((address, len(data), bytes(cells[start : start + BLOCK])))

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self.erased.append((address // length, bytes(cells[address : address + length])))
        self.images.append((address // length, bytearray(cells)))


def watched_store(**settings: object) -> tuple[Store, Watch]:
    config = StoreConfig(**{"buffer_bytes": 64, "name_bytes": 16, **settings})  # type: ignore[arg-type]
    watch = Watch()
    return Store.format(NorFlash(14, BLOCK, PAGE, faults=watch), config), watch


def work(store: Store, steps: int, seed: int = 1, mounts: bool = False) -> Store:
    """Random changes of few files, mounted anew now and then."""
    random = Random(seed)
    for step in range(steps):
        name = random.choice("abcdef")
        if random.random() < 0.1 and store.exists(name):
            store.remove(name)
        else:
            put(store, name, random.randbytes(random.randrange(250)), random.choice("wwa"))
            if store.stat(name).size_bytes > 500:
                store.truncate(name, 9)
        if mounts and step % 9 == 8:
            store = Store.mount(store.flash)
    return store


def ruling_on(image: bytes) -> tuple[int, int]:
    """The newest statement's block, and its sequence number."""
    found = statements_on(NorFlash.from_image(image, BLOCK, PAGE))
    number, block = max((said.number, block) for block, statements in found.items() for said in statements)
    return block, number


def named_on(image: bytes) -> tuple[int, ...]:
    """The dead blocks that the newest statement names."""
    lead, number = ruling_on(image)
    (said,) = (said for said in statements_on(NorFlash.from_image(image, BLOCK, PAGE))[lead] if said.number == number)
    return said.named


@pytest.mark.parametrize("mounts", [False, True])
@pytest.mark.parametrize("heads", [1, 2])
def test_only_a_named_block_is_erased_and_only_once_the_lead_says_so(heads: int, mounts: bool) -> None:
    """So that an erase that is cut leaves nothing that counts, and no recovery goes on in the lead then."""
    store, watch = watched_store(log_heads=heads)
    watch.images.clear()
    work(store, 150, mounts=mounts)
    assert len(watch.images) > 15
    for block, image in watch.images:
        lead = ruling_on(bytes(image))[0]
        assert image[lead * BLOCK + LEFT_AT] == 0
        assert block in named_on(bytes(image))


@pytest.mark.parametrize("heads", [1, 2])
def test_a_block_that_its_head_leaves_gets_its_marks_and_its_seal_and_nothing_after_that(heads: int) -> None:
    store, watch = watched_store(log_heads=heads)
    work(store, 150)
    late = [(address, length, before) for address, length, before in watch.programmed if not before[SEALING_AT]]
    assert len(late) > 15
    for address, length, before in late:
        at = address % BLOCK
        if before[SEAL_END - SEAL_BYTES : SEAL_END].strip(b"\xff") and at != LEFT_AT:
            assert at < SEAL_END <= at + length, "a seal that goes over a page"
        assert at == LEFT_AT or at + length <= SEAL_END


@pytest.mark.parametrize("heads", [1, 2])
def test_no_file_needs_a_block_that_is_erased(heads: int) -> None:
    """Just before each erase a mount finds every file but the one that is being written, with the block blank."""
    store, watch = watched_store(log_heads=heads)
    random, seen = Random(2), 0
    for _ in range(120):
        watch.images.clear()
        name, expected = random.choice("abcdef"), contents(store)
        put(store, name, random.randbytes(random.randrange(250)))
        expected.pop(name, None)
        for block, image in watch.images:
            image[block * BLOCK : (block + 1) * BLOCK] = b"\xff" * BLOCK
            left = contents(Store.mount(NorFlash.from_image(image, BLOCK, PAGE), read_only=True))
            assert expected.items() <= left.items()
        seen += len(watch.images)
    assert seen > 10


@pytest.mark.parametrize("heads", [1, 2])
def test_cleaning_a_sound_block_leaves_nothing_in_it(heads: int) -> None:
    """Holes, cut files and small pieces included: no block has to be set aside."""
    store, _ = watched_store(log_heads=heads, cleaner="oldest-first")
    random = Random(4)
    for step in range(900):
        name = random.choice("abcdefgh")
        with store.open(name, "a+") as file:
            file.truncate(random.randrange(300))
            if step % 2:
                file.write(random.randbytes(random.randrange(1, 90)))
        if store.stat(name).size_bytes > 200:
            store.truncate(name, random.randrange(100))
    assert store.meters.cleanings > 10
    assert {block.state for block in store.blocks()} <= {"unused", "ready", "open", "closed", "freed"}
    assert store.check() == []
    assert contents(store) == mounted(store)


def test_idle_work_never_passes_its_budget_however_short() -> None:
    store, _ = watched_store(idle_cleaning=True)
    sheet = store.flash.datasheet
    store = work(store, 60)
    erase_ns = sheet.erase_typ_ns + sheet.program_typ_ns
    for budget_ns in (0, 1, erase_ns - 1, erase_ns, erase_ns + sheet.program_typ_ns, 2 * erase_ns, 9 * erase_ns):
        work(store, 8)
        before = store.flash.counts.busy_ns(sheet)
        used_ns = store.idle(budget_ns)
        assert store.flash.counts.busy_ns(sheet) - before == used_ns <= budget_ns
    assert used_ns >= erase_ns


@pytest.mark.parametrize("heads", [1, 2])
def test_erase_counts_on_the_flash_are_those_of_the_chip(heads: int) -> None:
    store, _ = watched_store(log_heads=heads)
    store = work(store, 200, mounts=True)
    flash = store.flash
    assert sum(flash.erase_counts) > 20
    assert store.erase_counts == flash.erase_counts == Store.mount(flash, read_only=True).erase_counts
    for block, found in statements_on(flash).items():
        assert [said.erase_count for said in found[:1]] == [flash.erase_counts[block]][: len(found)]


def test_a_recovery_goes_on_in_a_page_that_was_not_in_flight() -> None:
    """The newest frame crosses into a second page: both may have been in flight, the statement is in a third."""
    for size in range(40, 64):
        store, watch = watched_store()
        put(store, "a", b"x" * size)
        newest = frames_on(store.flash)[-1]
        last_byte = newest.address + FRAME_BYTES + len(newest.payload) - 1
        watch.programmed.clear()
        Store.mount(store.flash)
        stated = watch.programmed
        assert min(address // PAGE for address, _, _ in stated) == last_byte // PAGE + 1, size
        assert stated[0][0] % PAGE == 0
        assert mounted(store) == {"a": b"x" * size}


def test_a_frame_carried_by_a_statement_counts_once() -> None:
    store, _ = watched_store()
    for number in range(5):
        store.open(f"f{number}", "x").close()
        before = [frame[1:5] for frame in frames_on(store.flash)]
        store = Store.mount(store.flash)
        after = [frame[1:5] for frame in frames_on(store.flash)]
        assert after == before
        assert store.names() == [f"f{one}" for one in range(number + 1)]
        assert_claims_hold(store)


@pytest.mark.parametrize("settles", [False, True])
@pytest.mark.parametrize("heads", [1, 2])
def test_a_log_that_woke_and_wrote_nothing_more_is_settled_anew(heads: int, settles: bool) -> None:
    """What was to come behind the mark of its waking may have been cut without a trace."""
    store, _ = watched_store(log_heads=heads)
    put(store, "a", b"abc")
    if not settles:
        Store.mount(store.flash)
    store = Store.mount(store.flash)
    programs = store.flash.programs
    assert Store.mount(store.flash).flash.programs == programs
    store._volume.state.segments.wake(0)
    woken = store.flash.programs
    assert woken > programs
    again = Store.mount(store.flash)
    assert again.flash.programs > woken
    settled = again.flash.programs
    assert Store.mount(store.flash).flash.programs == settled
    assert mounted(store) == {"a": b"abc"}


def damaged_at(store: Store, address: int, bit: int = 5) -> NorFlash:
    image = bytearray(store.flash.image())
    image[address] ^= 1 << bit
    return NorFlash.from_image(image, BLOCK, PAGE)


def test_damage_between_sound_frames_of_an_open_block_is_reported() -> None:
    """A torn frame can be the last one only: what stands before others was acknowledged."""
    store, _ = watched_store()
    for number in range(4):
        put(store, f"f{number}", bytes([number]) * 40)
    frames = frames_on(store.flash)
    assert len({frame.block for frame in frames}) == 1
    for frame in frames[1:-1]:
        for at in range(FRAME_BYTES + len(frame.payload)):
            with pytest.raises(CorruptStore, match=f"block {frame.block} from byte {frame.address % BLOCK} on"):
                Store.mount(damaged_at(store, frame.address + at))


@pytest.mark.parametrize("files", [1, 3])
def test_a_damaged_seal_is_not_believed(files: int) -> None:
    """The frames that it lists are all there. Whether others are missing nothing tells, so nothing is written."""
    store, _ = watched_store(buffer_bytes=128)
    for number in range(12 if files > 1 else 1):
        put(store, f"f{number % files}", bytes([number]) * (500 if files > 1 else 3500))
    expected, image = contents(store), store.flash.image()
    closed = [block.number for block in store.blocks() if block.state == "closed"]
    seals = {block: decode_seal(image[block * BLOCK + SEAL_END - SEAL_BYTES :]) for block in closed}
    listed = {block: seal.entry_count for block, seal in seals.items() if seal and seal.entry_count < codec.UNLISTED}
    assert len(listed) > 2
    assert files > 1 or 1 in listed.values()
    for block, count in listed.items():
        for at in range(SEAL_BYTES + count * codec.ENTRY_BYTES):
            flash = damaged_at(store, block * BLOCK + SEAL_END - 1 - at, at % 8)
            assert contents(Store.mount(flash, read_only=True)) == expected, (block, at)
            with pytest.raises(CorruptStore, match=f"seal.*block {block}"):
                Store.mount(flash)


def test_a_damaged_header_does_not_lead_a_read_astray() -> None:
    """Bytes behind a frame whose header is damaged are found, or the damage is told: never other bytes."""
    store, _ = watched_store()
    data = Random(3).randbytes(700)
    put(store, "log", data)
    outcomes: Counter[str] = Counter()
    for frame in frames_on(store.flash):
        for at in range(HEADER_BYTES if frame.kind == Kind.DATA else 0):
            for bit in range(8):
                try:
                    file = Store.mount(damaged_at(store, frame.address + at, bit), read_only=True).open("log")
                    file.seek(frame.offset + len(frame.payload))
                    assert file.read() == data[frame.offset + len(frame.payload) :]
                    outcomes["exact"] += 1
                except CorruptStore:
                    outcomes["told"] += 1
    assert outcomes["told"] > 500


def test_sequence_numbers_go_on_after_a_mount() -> None:
    store, _ = watched_store(log_heads=2)
    newest = -1
    for step in range(40):
        store = work(Store.mount(store.flash), 3, seed=step)
        sequences = [frame.sequence for frame in frames_on(store.flash)]
        assert len(set(sequences)) == len(sequences)
        assert max(sequences) > newest
        newest = max(sequences)
