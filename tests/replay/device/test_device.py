"""The device: what it notes is what the flash counted, and its clock goes as the datasheet says."""

from functools import partial

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.flash import Counts, Faults, Plan, Weibull, Worn
from simfs.replay.device.clock import NS_PER_MS, NS_PER_S
from simfs.replay.device.device import Device
from simfs.replay.device.notes import REFUSAL_GROUPS_MAX, Stall, StallLog
from simfs.replay.device.task_files import DeviceTask

START_NS = 1000 * NS_PER_S


def new_device(blocks=16, **settings):
    return Device(Store.format(NorFlash(blocks), StoreConfig(**settings)), start_ns=START_NS)


def finished(device):
    return device.finish(title="t", source="s", kind="script")


def stall(busy_ns, busy_max_ns=0, cleanings=0):
    return Stall(0, "t", "append", "/a", busy_ns, busy_max_ns, 0, 0, cleanings, 0)


def noted(*stalls):
    log = StallLog()
    for one in stalls:
        if log.stands_out(one.busy_ns, one.busy_max_ns, one.cleanings):
            log.keep(one)
    return log


def test_the_percentile_is_the_least_time_that_so_many_do_not_exceed():
    log = noted(*(stall(busy_ns) for busy_ns in [10] * 998 + [50, 70]))
    assert [log.percentile_ns(per_mille) for per_mille in (0, 500, 998, 999, 1000)] == [10, 10, 10, 50, 70]
    assert noted(stall(1), stall(2), stall(3)).percentile_ns(500) == 2
    assert StallLog().percentile_ns(999) == 0
    with pytest.raises(ValueError, match="0 to 1000"):
        log.percentile_ns(1001)


def test_the_stalls_that_stand_out_are_kept():
    log = noted(stall(5, 10), stall(9, 20, 1), stall(3, 40), stall(3, 10, 2), stall(9, 5))
    assert (log.longest.busy_ns, log.longest_at_max.busy_max_ns, log.most_cleanings.cleanings) == (9, 40, 2)
    assert log.longest.cleanings == 1, "of equal ones the first"
    assert (log.count, log.total_ns) == (5, 29)
    assert noted(stall(5)).most_cleanings is None


def test_every_flash_operation_is_in_one_tally_and_the_clock_moves_by_their_times():
    device = new_device()
    tasks = [DeviceTask(device, "one"), DeviceTask(device, "two")]
    for turn in range(400):
        tasks[turn % 2].append("/log", b"x" * 40)
        tasks[1].write("/state", b"y" * 300)
        tasks[0].read("/state")
    tasks[1].remove("/log")
    run = finished(device)
    spent = run.flash.counts - Counts(*run.first)
    sheet = run.flash.datasheet
    tallies = run.tasks.values()
    assert sum(tally.programs for tally in tallies) == spent.programs > 800
    assert sum(tally.erases for tally in tallies) == spent.erases > 10
    assert sum(tally.program_bytes for tally in tallies) == spent.program_bytes
    assert sum(tally.read_bytes for tally in tallies) == spent.read_bytes
    assert sum(tally.busy_ns for tally in tallies) == spent.busy_ns(sheet) == run.writes.total_ns
    assert run.duration_ns == spent.busy_ns(sheet) + spent.read_ns(sheet)
    assert sum(tally.host_bytes for tally in tallies) == 400 * 340 == run.store.meters.host_bytes
    assert run.tasks["one"].operations == {"append": 200, "read": 400}
    assert run.tasks["two"].operations == {"append": 200, "write": 400, "remove": 1}
    assert run.writes.count == 801
    assert run.writes.longest.busy_ns == max(run.writes.histogram)
    assert run.writes.longest.erases >= 1


def test_a_stall_shows_the_slow_erases_of_worn_blocks():
    """Every block is at its limit: an erase takes the datasheet's longest time."""
    worn = Faults(worn=Worn(drawn=Weibull(1e6, 50), cycles_before=900_000))
    device = Device(Store.format(NorFlash(8, faults=Plan(worn)), StoreConfig()), start_ns=START_NS)
    task, sheet = DeviceTask(device, "log"), device.flash.datasheet
    for _ in range(100):
        task.write("/state", b"y" * 300)
    run = finished(device)
    spent = run.flash.counts - Counts(*run.first)
    assert spent.erase_extra_ns > spent.erases * (sheet.erase_max_ns - sheet.erase_typ_ns) * 0.8 > 0
    assert run.writes.total_ns == run.tasks["log"].busy_ns == spent.busy_ns(sheet)
    assert run.duration_ns == spent.busy_ns(sheet) + spent.read_ns(sheet)
    assert sheet.erase_max_ns * 0.8 < run.writes.longest.busy_ns <= run.writes.longest.busy_max_ns


def test_a_stall_says_when_and_what():
    device = new_device()
    device.wait_until(START_NS + 5 * NS_PER_S)
    DeviceTask(device, "log").append("/a", b"x" * 40)
    found = finished(device).writes.longest
    assert (found.at_ns, found.task, found.operation, found.name) == (5 * NS_PER_S, "log", "append", "/a")
    sheet = device.flash.datasheet
    assert found.busy_ns == found.programs * sheet.program_typ_ns + found.erases * sheet.erase_typ_ns > 0
    assert found.busy_max_ns == found.programs * sheet.program_max_ns + found.erases * sheet.erase_max_ns


def test_refusals_are_grouped_and_the_run_goes_on():
    device = new_device(name_bytes=8)
    task = DeviceTask(device, "log")
    for number in range(3):
        task.append(f"/too-long-{number}", b"x", pattern="/too-long-{counter}")
    device.wait_until(START_NS + NS_PER_S)
    assert task.read("/none") is None
    task.append("/ok", b"x")
    assert task.read("/ok") == b"x"
    run = finished(device)
    shown = [(r.operation, r.name, r.error, r.count, r.first_at_ns > NS_PER_S // 2) for r in run.refusals]
    assert shown == [
        ("append", "/too-long-{counter}", "ENAMETOOLONG", 3, False),
        ("read", "/none", "ENOENT", 1, True),
    ]
    assert run.tasks["log"].refused == task.refused == 4


def test_refusals_of_endless_names_stay_bounded():
    device = new_device()
    task = DeviceTask(device, "log")
    for number in range(REFUSAL_GROUPS_MAX + 50):
        task.read(f"/{number}")
    refusals = finished(device).refusals
    assert len(refusals) == REFUSAL_GROUPS_MAX + 1
    assert (refusals[-1].name, refusals[-1].count) == ("(other names)", 50)


def test_only_an_error_of_the_store_is_a_refusal():
    device = new_device()
    with pytest.raises(ZeroDivisionError):
        device.perform("log", "append", "/a", lambda: 1 // 0, writes=True)


def test_a_read_that_is_due_while_another_task_keeps_the_flash_busy_is_held():
    device = new_device()
    log, display = DeviceTask(device, "log"), DeviceTask(device, "display")
    due_ns = device.now_ns + NS_PER_MS // 10
    log.write("/a", b"x" * 2000)
    waited_ns = device.now_ns - due_ns
    display.read("/a", due_ns=due_ns)
    display.read("/a", due_ns=device.now_ns)  # in time
    log.read("/a", due_ns=due_ns)  # late, but behind what is no longer busy
    held = finished(device).held
    assert (held.count, held.total_ns, held.longest_ns, held.behind) == (1, waited_ns, waited_ns, "log: write")
    assert waited_ns > NS_PER_MS


def test_a_boot_mounts_anew_keeps_the_meters_and_is_noted():
    device = new_device()
    task = DeviceTask(device, "log")
    task.append("/a", b"x" * 100)
    before = device.store
    now_ns = device.now_ns
    device.boot()
    assert device.store is not before
    assert device.now_ns == now_ns + device.boots[0].time_ns
    task.append("/a", b"y" * 100)
    run = finished(device)
    assert task.read("/a") == b"x" * 100 + b"y" * 100
    assert run.store.meters.host_bytes == 200
    first, last = run.boots
    assert first.at_ns == now_ns - START_NS
    assert first.reads > 0
    assert first.read_bytes > 0
    sheet = run.flash.datasheet
    assert first.time_ns == first.reads * sheet.read_overhead_ns + first.read_bytes * sheet.read_byte_ns + (
        first.programs * sheet.program_typ_ns + first.erases * sheet.erase_typ_ns
    )
    assert last.at_ns == run.duration_ns


def test_the_mount_at_the_end_leaves_the_counters_alone():
    device = new_device()
    DeviceTask(device, "log").append("/a", b"x" * 100)
    before = device.flash.counts
    run = finished(device)
    assert run.flash.counts == before
    assert run.boots[-1].reads > 0


def test_the_highest_use_is_noted_with_its_time():
    device = new_device()
    task = DeviceTask(device, "log")
    task.write("/big", b"x" * 20_000)
    at_ns, live_bytes = device.now_ns - START_NS, device.store.usage().live_bytes
    device.wait_until(device.now_ns + NS_PER_S)
    task.remove("/big")
    run = finished(device)
    assert (run.live_bytes_max, run.live_bytes_max_at_ns) == (live_bytes, at_ns)
    assert run.store.usage().live_bytes < 1000


@pytest.mark.parametrize("idle_cleaning", [False, True])
def test_idle_time_goes_to_the_store_that_cleans_in_it(idle_cleaning):
    device = new_device(idle_cleaning=idle_cleaning)
    task = DeviceTask(device, "log")
    for _ in range(300):
        task.write("/state", b"x" * 200)
        device.wait_until(device.now_ns + NS_PER_S)
    run = finished(device)
    idle = run.tasks.get("(idle time)")
    if idle_cleaning:
        assert idle.erases > 5
        assert idle.erases <= idle.operations["clean ahead"] < 100, "passes with nothing to do do not count"
        assert run.writes.longest.erases == 0
    else:
        assert idle is None
        assert run.writes.longest.erases >= 1
    assert run.writes.count == 300


def test_a_boot_closes_what_was_open_and_nothing_of_it_reaches_the_flash_any_more():
    device = new_device(open_files_max=4)
    store = device.store
    with store.open("/kept", "w") as file:
        file.write(b"on the flash")
    waiting, removed, reading = store.open("/kept", "a"), store.open("/gone", "w+"), store.open("/kept", "rb")
    waiting.write(b", never written")
    removed.write(b"x" * 100)
    store.remove("/gone")
    removed.write(b"y" * 100)
    device.boot()
    image, counts = device.flash.image(), device.flash.counts
    opened = [waiting, removed, reading]
    assert [file.closed for file in opened] == [True] * 3
    write, cut = partial(waiting.write, b"z"), partial(waiting.truncate, 0)
    for action in (write, waiting.flush, cut, reading.read, removed.tell):
        with pytest.raises(ValueError, match="closed file"):
            action()
    for file in opened:
        file.close()
    for action in (lambda: store.open("/new", "w"), lambda: store.remove("/kept"), lambda: store.rename("/kept", "/a")):
        with pytest.raises(OSError, match="Read-only"):
            action()
    assert (device.flash.image(), device.flash.counts) == (image, counts)
    assert device.store.names() == ["/kept"]
    assert device.store.stat("/kept").size_bytes == 12
    device.boot()
    assert device.store.check() == []


def test_files_that_nobody_closed_are_dropped_without_a_write_when_the_device_boots():
    device = new_device()
    device.store.open("/a", "w").write(b"lost")  # closed, and written, as soon as nobody has it
    opened = [device.store.open(f"/{number}", "w") for number in range(3)]
    for file in opened:
        file.write(b"lost")
    device.boot()
    counts = device.flash.counts
    del opened, file
    assert device.flash.counts == counts
    assert [device.store.stat(name).size_bytes for name in device.store.names()] == [0, 0, 0, 4]
