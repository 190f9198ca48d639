"""The figures of a hand-built run, each derived by hand beside it."""

from typing import Any

from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.device.notes import Refusal, Skipped
from simfs.replay.play import play
from simfs.replay.scenario.load import scenario_of
from simfs.replay.scenario.tables import Scenario
from simfs.store.tables.meters import Meters
from simfs.study.run.figures import Figures
from simfs.study.run.measure import figures
from tests.support.hand_built import LONG, MS, US, hand_built_run


def taken(**changes: Any) -> Figures:
    return figures(hand_built_run(**changes))


def test_write_amplification_adds_up_to_what_the_flash_programmed() -> None:
    # 4 programs of 100 bytes = 400; 150 data and 50 relocated leave 200 of metadata. The device wrote 100 + 100 bytes.
    split = taken().amplification
    assert (split.host_bytes, split.data_bytes, split.relocated_bytes, split.metadata_bytes) == (200, 150, 50, 200)
    assert split.programmed_bytes == 400
    assert (split.total_ratio, split.data_ratio, split.metadata_ratio, split.relocation_ratio) == (2, 0.75, 1, 0.25)
    # 3 erases of 4096 bytes for 200 bytes.
    assert split.erased_ratio == 3 * 4096 / 200


def test_data_and_relocation_count_from_the_start_of_the_run() -> None:
    # Of the 150 and 50 bytes that the store counted, 30 and 20 were before the run; its 400 programmed bytes are all
    # the run's, so that 400 - 120 - 30 are metadata.
    split = taken(first_meters=Meters(payload_bytes_programmed=30, relocated_bytes=20)).amplification
    assert (split.data_bytes, split.relocated_bytes, split.metadata_bytes) == (120, 30, 250)
    assert split.programmed_bytes == 400


def test_a_device_that_wrote_nothing_has_no_ratio() -> None:
    split = taken(tasks={}).amplification
    assert split.total_ratio is None


def test_flash_work_and_its_floor() -> None:
    work = taken().flash_work
    assert (work.programs, work.program_bytes, work.erases, work.reads, work.read_bytes) == (4, 400, 3, 2, 100)
    # 200 bytes fit one page of 256 and one block of 4096.
    assert (work.programs_floor, work.blocks_floor) == (1, 1)
    # 4 programs of 500 us and 3 erases of 50 ms = 152 ms; reads 2 * 640 ns + 100 * 160 ns = 17.28 us.
    assert (work.busy_ns, work.read_ns) == (152 * MS, 17_280)


def test_energy() -> None:
    energy = taken().energy
    # At 3.3 V: program and erase 20 mA for 152 ms = 10.032 mJ; reads 10 mA for 17.28 us = 570.24 nJ.
    # The sum is 10,032,570.24 nJ.
    assert energy.program_erase_read_nj == 10_032_570
    assert energy.active_per_day_nj == 1_003_257  # in ten days
    # Standby 10 uA * 3.3 V = 33 uW = 33,000 nJ a second, 86,400 s a day.
    assert energy.standby_per_day_nj == 33_000 * 86_400


def test_wear_counts_erases_of_the_run_by_block() -> None:
    wear = taken().wear
    assert wear.erases_in_run == (0,) * 9 + (2, 0, 0, 1, 0, 0, 0)
    assert (wear.min_erases, wear.max_erases) == (min(wear.erase_counts), max(wear.erase_counts))
    assert wear.mean_erases == sum(wear.erase_counts) / 16
    # Had block 9 been erased once before the run, one of its two would be the run's.
    before = [0] * 9 + [1] + [0] * 6
    assert taken(erase_counts_first=before).wear.erases_in_run[9] == wear.erases_in_run[9] - 1


def test_of_several_hottest_blocks_the_one_is_named_that_is_worn_first() -> None:
    """Block 0 was erased by the format once and in the run as often as others but once."""
    log = {"name": "log", "every": "1 h", "operations": [{"do": "write", "file": "/a", "size": "900 B"}]}
    of = scenario_of({"chip": {"size": "32 KiB"}, "run": {"duration": "7 d"}, "task": [log]})
    assert isinstance(of, Scenario)
    found = figures(play(of, "log.toml"))
    assert found.wear is not None
    assert found.life is not None
    counts = found.wear.erase_counts
    assert counts[0] == counts[found.wear.hottest_block] == max(counts)
    assert found.wear.erases_in_run[0] == max(counts) - 1
    assert found.wear.hottest_block == found.life.first_worn_block != 0


def test_life_takes_the_blocks_of_the_store() -> None:
    life = taken().life
    assert (life.rated_cycles, life.erases_in_run, life.run_ns) == (100_000, 3, 10 * NS_PER_DAY)
    assert life.first_worn_block == 9
    # Block 9 was erased twice in ten days and is not in use: 5 days an erase, for the cycles that it has left.
    left = 100_000 - hand_built_run().store.erase_counts[9]
    assert life.hottest_ns == left * 5 * NS_PER_DAY


def test_stalls() -> None:
    stalls = taken().stalls
    # 999 of 1000 writes took 500 us, so 99.9 % took no longer.
    assert (stalls.count, stalls.per_mille_999_ns) == (1000, 500 * US)
    assert (stalls.longest, stalls.longest_at_max, stalls.most_cleanings) == (LONG, LONG, LONG)
    assert stalls.longest_at_max_ns == 409 * MS
    assert stalls.total_ns == 999 * 500 * US + 51_500 * US
    assert (stalls.held_reads, stalls.held_longest_ns, stalls.held_behind) == (2, 45 * MS, "settings: rewrite")
    assert stalls.writes_by_busy_ns == {500 * US: 999, 51_500 * US: 1}


def test_boots() -> None:
    boots = taken().boots
    assert (boots.in_run, boots.at_end.reads, boots.slowest.time_ns) == (1, 30, 9 * MS)


def test_room() -> None:
    room = taken().room
    usage = hand_built_run().store.usage()
    assert (room.capacity_bytes, room.live_bytes) == (usage.capacity_bytes, usage.live_bytes)
    assert room.live_max_percent == 100 * 3000 / usage.capacity_bytes


def test_tasks_and_operations() -> None:
    run = taken()
    assert run.subject.operations == 1000
    assert [(task.name, task.programs, task.erases) for task in run.tasks] == [("gauge", 1, 0), ("settings", 3, 3)]


def test_trouble_is_counted() -> None:
    refusals = [Refusal("gauge", "append", "/a", "ENOSPC", 3, 0), Refusal("gauge", "append", "/b", "ENOSPC", 4, 0)]
    trouble = taken(refusals=refusals, skipped=[Skipped(7, "mmap", 2)]).trouble
    assert (trouble.refused_operations, trouble.skipped_lines) == (7, 2)


def test_ram_is_the_sum_of_its_parts() -> None:
    run = taken()
    assert run.ram_total_bytes == sum(hand_built_run().store.ram().values()) > 0


def test_no_time_no_pace() -> None:
    run = taken(duration_ns=0)
    assert run.energy.active_per_day_nj is None
    assert run.life.hottest_ns is None
