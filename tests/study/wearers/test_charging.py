"""Every programmed byte and every erase is charged, to whom it should be, and the charges add up to what the flash
counted."""

from __future__ import annotations

from collections import Counter, defaultdict
from fractions import Fraction
from random import Random

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.files.contract import AnyStore
from simfs.files.store import NoLog, the_log
from simfs.flash import FlashError
from simfs.flash.faults import FaultHooks
from simfs.replay.device.device import Device, Run
from simfs.replay.device.observer import BOOT_TASK, Observer
from simfs.replay.device.task_files import DeviceTask
from simfs.replay.play import play, replay
from simfs.replay.scenario.load import load_scenario, parse_scenario
from simfs.store.format.codec import CLAIMS, DATA, FRAME_BYTES, HEAD
from simfs.store.tables.listener import Cause
from simfs.study.wearers.charging import BEFORE, Charging
from simfs.study.wearers.ledger import Ledger, shares
from simfs.study.wearers.report import ERASE_PARTS, NO_FILE, Wearers
from tests.replay.batch.test_batches import SCENARIOS, random_case
from tests.support.places import ROOT

BLOCK, BLOCKS = 4096, 10


def assert_adds_up(found: Wearers, run: Run) -> None:
    """To the flash's own counters, since the run began."""
    spent = run.store.medium.since(run.first)
    assert found.programmed_bytes == sum(one.programmed_bytes for one in found.wearers) == spent[3]
    assert found.erases * ERASE_PARTS == sum(one.erases_millionths for one in found.wearers)
    assert found.erases == spent[4] == sum(run.flash.erase_counts) - sum(run.erase_counts_first)


def charged(text: str) -> tuple[Wearers, Run]:
    charging = Charging()
    run = play(parse_scenario(text.encode(), "case.toml"), "case.toml", observers=[charging])
    return charging.report(), run


@pytest.mark.parametrize("name", SCENARIOS)
def test_shipped_scenarios_add_up_from_their_beginning(name: str) -> None:
    scenario, charging = load_scenario(ROOT / "scenarios" / name), Charging()
    short = scenario.run.model_copy(update={"duration": scenario.run.duration // 16})
    run = play(scenario.model_copy(update={"run": short}), name, observers=[charging])
    assert_adds_up(charging.report(), run)


@pytest.mark.slow
@pytest.mark.parametrize("name", [*SCENARIOS, "uplink.py"])
def test_shipped_scenarios_add_up(name: str) -> None:
    charging = Charging()
    run = replay(ROOT / "scenarios" / name, observers=[charging])
    assert_adds_up(charging.report(), run)


@pytest.mark.parametrize("seed", range(4))
def test_random_devices_add_up(seed: int) -> None:
    assert_adds_up(*charged(random_case(seed)))


def test_a_mark_of_halves_is_structure() -> None:
    """One that begins where the next frame would, in a page that takes few programs."""
    assert_adds_up(*charged(random_case(429, 2)))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(500))
def test_500_random_devices_add_up(seed: int) -> None:
    assert_adds_up(*charged(random_case(seed, 2)))


class Reference(Observer):
    """The same once more, from what the bytes are: each task writes a letter of its own, and a frame is put together
    from all its programs before it is looked at. Erases are shared in fractions."""

    def __init__(self) -> None:
        self.task = ""
        self.bytes: Counter[tuple[str, Cause]] = Counter()
        self.erases: defaultdict[tuple[str, Cause], Fraction] = defaultdict(Fraction)
        self.blocks: defaultdict[int, Counter[tuple[str, Cause]]] = defaultdict(Counter)
        self.frame, self.next = b"", -1

    def run_begins(self, store: AnyStore) -> AnyStore:
        flash = the_log(store).flash
        self.blocks[next(block for block, count in enumerate(flash.erase_counts) if count)][
            BEFORE, Cause.LOG_RECORD
        ] = flash.program_bytes
        return super().run_begins(store)

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        self.task = task

    def programmed(self, address: int, data: bytes, cause: Cause) -> None:
        if cause not in (Cause.RELOCATION, Cause.LEVELLING):
            self.put(address, self.task, cause, len(data))
            return
        whole = len(self.frame) >= HEAD.size and len(self.frame) == FRAME_BYTES + HEAD.unpack_from(self.frame)[1]
        self.frame = data if whole or address != self.next else self.frame + data
        self.next = address + len(data)
        if len(self.frame) < HEAD.size or len(self.frame) < FRAME_BYTES + HEAD.unpack_from(self.frame)[1]:
            return
        payload = self.frame[16:-4]
        if self.frame[0] != DATA:
            namer = "A" if self.frame[0] in CLAIMS else self.task  # the rest tells of blocks
            self.put(address, namer, cause, len(self.frame))
            return
        self.put(address, chr(payload[-1]), cause, FRAME_BYTES)
        for letter, count in Counter(payload).items():
            self.put(address, chr(letter), cause, count)

    def put(self, address: int, task: str, cause: Cause, count: int) -> None:
        self.blocks[address // BLOCK][task, cause] += count
        self.bytes[task, cause] += count

    def erased(self, block: int, cause: Cause) -> None:
        programmed = self.blocks.pop(block, None) or Counter({(self.task, cause): 1})
        for key, count in programmed.items():
            self.erases[key] += Fraction(count, sum(programmed.values()))


def two_writers(device: Device, steps: int, seed: int) -> None:
    """Two tasks write over each other's bytes in the same files; one of them gives the names."""
    draw, tasks = Random(seed), [DeviceTask(device, "A"), DeviceTask(device, "B")]
    for name in ("/0", "/1", "/2"):
        tasks[0].write(name, b"A" * 3000)
    for _ in range(steps):
        task, name = tasks[draw.randrange(2)], f"/{draw.randrange(3)}"
        data = task.name.encode() * draw.randrange(1, 200)
        if draw.random() < 0.9:
            task.update(name, draw.randrange(device.store.stat(name).size_bytes), data)
        else:
            task.append(name, data)
        if device.store.stat(name).size_bytes > 5000:
            tasks[0].truncate(name, 2000)
        if draw.random() < 0.01:
            device.boot()


@pytest.mark.parametrize("page_bytes", [64, 1024])
@pytest.mark.parametrize("settings", [{}, {"log_heads": 2, "level_threshold": 2}], ids=str)
def test_moved_bytes_are_charged_to_the_task_that_wrote_them(page_bytes: int, settings: dict[str, int]) -> None:
    store = Store.format(NorFlash(BLOCKS, BLOCK, page_bytes), StoreConfig(buffer_bytes=512, **settings))
    charging, reference = Charging(), Reference()
    device = Device(store, observers=[charging, reference])
    two_writers(device, 500, 1)
    found = charging.report()
    totals: Counter[tuple[str, str]] = Counter()
    parts: Counter[tuple[str, str]] = Counter()
    for one in found.wearers:
        totals[one.task, one.kind] += one.programmed_bytes
        parts[one.task, one.kind] += one.erases_millionths
    assert +totals == reference.bytes
    assert min(totals[task, "relocation"] for task in "AB") > 5000
    assert found.erases == sum(reference.erases.values()) > 20
    for key, erases in reference.erases.items():
        assert abs(parts[key] - erases * ERASE_PARTS) < 3 * found.erases  # at most one part for each account and erase
    assert totals[BOOT_TASK, "recovery"] > 0


def kinds_of(found: Wearers, file: str) -> dict[tuple[str, str], int]:
    return {(one.task, one.kind): one.programmed_bytes for one in found.wearers if one.file == file}


def new_device(faults: FaultHooks | None = None, **settings: int) -> tuple[Device, Charging]:
    charging, flash = Charging(), NorFlash(BLOCKS, BLOCK, faults=faults)
    return Device(Store.format(flash, StoreConfig(**settings)), observers=[charging]), charging


def test_bytes_go_to_the_name_that_the_file_has_then() -> None:
    device, charging = new_device()
    DeviceTask(device, "one").write("/new", b"x" * 100)
    DeviceTask(device, "two").rename("/new", "/now")
    DeviceTask(device, "two").append("/now", b"x" * 50)
    DeviceTask(device, "three").remove("/now")
    found = charging.report()
    assert kinds_of(found, "/new") == {("one", "log record"): 1, ("one", "name"): 24, ("one", "data"): 120}
    assert kinds_of(found, "/now") == {("two", "name"): 29, ("two", "data"): 70, ("three", "name"): 24}
    assert found.erases == 0


def test_a_file_that_is_written_anew_stays_the_same() -> None:
    device, charging = new_device()
    for _ in range(5):
        DeviceTask(device, "one").write("/set", b"x" * 10)
    DeviceTask(device, "two").write("/set", b"x" * 10)
    data = FRAME_BYTES + 10
    assert kinds_of(charging.report(), "/set") == {
        ("one", "log record"): 1, ("one", "name"): 5 * 24, ("one", "data"): 5 * data,
        ("two", "name"): 24, ("two", "data"): data,
    }  # fmt: skip


def test_an_erase_of_a_block_in_which_nothing_was_programmed_goes_to_who_needed_it() -> None:
    device, charging = new_device()
    DeviceTask(device, "one").write("/a", bytes(3 * BLOCK))
    (header,) = [one for one in charging.report().wearers if one.erases]
    assert (header.task, header.file, header.kind) == ("one", "/a", "data")
    assert header.erases == sum(device.flash.erase_counts) - 1


class FailsAt(FaultHooks):
    """The program with this number fails, when it is done in part."""

    def __init__(self, number: int) -> None:
        self.left = number

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self.left -= 1
        if not self.left:
            raise FlashError("program", address)


@pytest.mark.parametrize("number", range(20, 80, 3))
def test_a_program_that_fails_is_charged_as_well(number: int) -> None:
    device, charging = new_device(FailsAt(number))
    task = DeviceTask(device, "one")
    for turn in range(60):
        task.append("/a", bytes(100 + turn % 97))
    assert_adds_up(charging.report(), device.finish(title="", source="", kind="script"))


def test_a_hole_that_is_moved_counts_for_the_task_that_left_it() -> None:
    device, charging = new_device(level_threshold=2)
    DeviceTask(device, "first").write("/a", b"x" * 10)
    DeviceTask(device, "gap").update("/a", 60_000, b"y")
    rest = DeviceTask(device, "rest")
    for turn in range(40):
        rest.write(f"/{turn % 3}", bytes(BLOCK))
    moved = kinds_of(charging.report(), "/a")
    times, left = divmod(moved["gap", "levelling"], FRAME_BYTES + 4 + FRAME_BYTES + 1)
    assert times > 0
    assert left == 0
    assert moved["first", "levelling"] == times * (2 * FRAME_BYTES + 2 + 10)  # its name as well


def test_what_stood_there_before_shares_in_the_erase_and_is_not_among_the_bytes() -> None:
    ledger = Ledger(1)
    before, task = ledger.number(BEFORE, NO_FILE, "log record"), ledger.number("one", "/a", "data")
    ledger.before(before, 0, 100)
    ledger.in_block[0][task] += 300
    ledger.erased(0, task)
    found = ledger.report()
    assert [(one.task, one.programmed_bytes, one.erases) for one in found.wearers] == [
        ("one", 300, 0.75), (BEFORE, 0, 0.25),
    ]  # fmt: skip
    assert found.programmed_bytes == 300


def test_shares_of_an_erase_are_whole_parts_that_add_up() -> None:
    draw = Random(3)
    for _ in range(300):
        programmed = {account: draw.randrange(1, 5000) for account in range(draw.randrange(1, 40))}
        found, total = shares(programmed), sum(programmed.values())
        assert sum(found.values()) == ERASE_PARTS
        assert all(abs(found[one] - Fraction(ERASE_PARTS * programmed[one], total)) < 1 for one in programmed)
    assert shares({7: 1, 8: 1, 9: 1}) == {7: 333_334, 8: 333_333, 9: 333_333}


def test_a_store_that_is_not_on_flash_is_refused() -> None:
    with pytest.raises(NoLog, match="on flash"):
        replay(ROOT / "scenarios" / "greenhouse_card.toml", observers=[Charging()])


def test_who_follows_a_run_changes_nothing_of_it() -> None:
    text = random_case(3)
    plain = play(parse_scenario(text.encode(), "case.toml"), "case.toml", plain=True)
    _, followed = charged(text)
    assert followed.flash.image() == plain.flash.image()
    assert followed.flash.counts == plain.flash.counts
