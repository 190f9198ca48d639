"""Devices that are run to the loss of their store: hurried, on a flash whose blocks fail."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from operator import sub

import pytest

from simfs import NorFlash, Store
from simfs.flash import Faults, FlashError, Plan, Worn
from simfs.replay.device.clock import NS_PER_YEAR
from simfs.replay.device.device import Device
from simfs.replay.play import play
from simfs.replay.player.player import Player
from simfs.replay.scenario.load import parse_scenario
from simfs.study.fleet import lost_store
from simfs.study.fleet.first_block import Pace, device_seed, first_lost, store_lost_by
from simfs.study.fleet.limit_laws import WeibullLimits, limits_of
from simfs.study.fleet.lost_store import WearingFlash, hurry_for, run_to_loss, sample_losses
from simfs.study.fleet.pace import pace_of_run
from simfs.study.fleet.report import spare_blocks

SCENARIO = """\
[chip]
size = "128 KiB"
[run]
duration = "120 d"
[[task]]
name = "gauge"
every = "6 min"
operations = [{ do = "append", file = "/{date}.csv", size = "40 B", keep = 2 }]
"""
LAW = WeibullLimits(30_000, 3)
BLOCKS = 32


@pytest.fixture(scope="module")
def scenario():
    return parse_scenario(SCENARIO.encode(), "s.toml")


@pytest.fixture(scope="module")
def run(scenario):
    return play(scenario, "s.toml")


@pytest.fixture(scope="module")
def pace(run):
    return pace_of_run(run)


def test_the_pace_counts_each_filling(run, pace):
    assert pace.over_ns == run.duration_ns
    # The erase of the first block came before the run, and it was erased in the run again.
    assert pace.erases == tuple(map(sub, run.flash.erase_counts, run.erase_counts_first))
    assert sum(pace.erases) == run.flash.erases - 1 > 300


def test_a_run_that_erases_nothing_has_no_pace(scenario):
    short = scenario.model_copy(update={"run": scenario.run.model_copy(update={"duration": 10**9})})
    with pytest.raises(ValueError, match="no block is erased in this run"):
        pace_of_run(play(short, "s.toml"))


def test_a_block_stands_so_many_erases_as_its_limit():
    flash = WearingFlash(4)
    flash.limits = (3, 1, 9, 9)
    for _ in range(3):
        flash.erase(0)
    flash.erase(1)
    for block in (0, 1):
        with pytest.raises(FlashError):
            flash.erase(block)
    assert flash.erase_counts == [4, 2, 0, 0]


class Ended(Exception):
    """The first block has failed."""


class EndsAtFirst(Plan):
    """Notes which block is erased beyond its limit first, and when."""

    def __init__(self, faults):
        super().__init__(faults)
        self.found = self.device = None

    def before_erase(self, cells, address, length):
        super().before_erase(cells, address, length)
        block = address // length
        if self._wear.cycles_past(block):
            self.found = (block, self._wear.limit_cycles(block) + 1, self.device.now_ns - self.device.start_ns)
            raise Ended


def test_simulated_devices_are_those_of_the_flash(scenario):
    """A real flash with the same seed and law loses the same block, at the same erase and, by the erases until then, at
    the same time."""
    law = WeibullLimits(30, 3)
    for number in range(2):
        seed = device_seed(1, number)
        plan = EndsAtFirst(Faults(seed=seed, worn=Worn(drawn=law)))
        flash = NorFlash(BLOCKS, datasheet=scenario.chip.datasheet(), faults=plan)
        device = plan.device = Device(Store.format(flash, scenario.store.config()), start_ns=scenario.run.start)
        long = scenario.run.model_copy(update={"duration": 100 * NS_PER_YEAR})
        with pytest.raises(Ended):
            Player(scenario.model_copy(update={"run": long}), device).play(None)
        expected = first_lost(law, Pace(plan.found[2], tuple(flash.erase_counts), "until then"), seed)
        assert plan.found == (expected.block, expected.erases, expected.at_ns)


def losses_of(scenario, pace, devices=4, hurried=20, **more):
    return sample_losses(scenario, LAW, pace, devices=devices, seed=3, hurry=hurry_for(LAW, hurried), **more)


def test_devices_lose_their_store_when_too_few_blocks_are_left(scenario, run, pace):
    sample = losses_of(scenario, pace)
    assert [loss.seed for loss in sample.losses] == [device_seed(3, number) for number in range(4)]
    spare = spare_blocks(run)
    assert 10 < spare < BLOCKS
    for loss in sample.losses:
        assert loss.why in ("ENOSPC", "EROFS")
        # EROFS comes sooner: both blocks that the log has named fail, which wear in such a hurry makes frequent.
        assert (spare - 4 if loss.why == "ENOSPC" else 10) <= loss.blocks_lost <= spare + 3
        assert loss.at_ns == pytest.approx(store_lost_by(LAW, pace, spare + 1, 0.5), rel=0.25)
    assert [one.share for one in sample.shares] == [0.01, 0.1, 0.5]
    middle = sample.shares[2]
    assert middle.at_ns == sorted(loss.at_ns for loss in sample.losses)[1]
    assert sample.shares[0].at_ns is sample.shares[0].least_ns is None


def test_spare_blocks_are_those_that_the_kept_data_does_not_need(run):
    capacity, reserve = run.store.usage().capacity_bytes, 3
    share = capacity // (BLOCKS - reserve)
    assert spare_blocks(replace(run, live_bytes_max=0)) == BLOCKS - reserve
    assert spare_blocks(replace(run, live_bytes_max=capacity - 3 * share)) == 3
    assert spare_blocks(replace(run, live_bytes_max=capacity - 3 * share + 1)) == 2
    assert spare_blocks(replace(run, live_bytes_max=capacity)) == 0


def test_hurrying_changes_the_time_little(scenario, pace):
    """Twice as many erases until a block fails: the same time within a few of them."""
    fast, slow = (losses_of(scenario, pace, devices=1, hurried=cycles).losses[0] for cycles in (20, 40))
    assert fast.at_ns / slow.at_ns == pytest.approx(1, abs=0.1)


def test_the_executor_does_not_matter(scenario, pace):
    with ThreadPoolExecutor(2) as threads:
        inside = losses_of(scenario, pace, devices=2, hurried=10, executor=threads)
    told = []
    assert losses_of(scenario, pace, devices=2, hurried=10, progress=lambda *at: told.append(at)) == inside
    assert told == [(1, 2), (2, 2)]


def test_a_flash_with_stuck_bits_loses_its_store_at_the_same_time(scenario, pace, monkeypatch):
    """The quick flash against the faults of the flash itself: blocks past their limit leave bits at 0."""
    work = lost_store._work(scenario, LAW, device_seed(3, 0), hurry_for(LAW, 15), pace)
    quick = run_to_loss(work)
    worn = Faults(worn=Worn(limits=tuple(enumerate(work.limits))))

    def real(blocks, *, datasheet):
        return Slotless(blocks, datasheet=datasheet, faults=Plan(worn))

    class Slotless(NorFlash):
        """Takes limits and leaves them to its plan."""

    monkeypatch.setattr(lost_store, "WearingFlash", real)
    slow = run_to_loss(work)
    assert slow.at_ns == pytest.approx(quick.at_ns, rel=0.01)
    assert abs(slow.blocks_lost - quick.blocks_lost) <= 1  # bits that stick are found at another moment than a refusal
    assert {slow.why, quick.why} <= {"ENOSPC", "EROFS"}
    assert slow.seed == quick.seed


def test_a_device_that_outlives_the_sample_has_no_time(scenario, pace, monkeypatch):
    monkeypatch.setattr(lost_store, "PATIENCE", 0.1)
    sample = losses_of(scenario, pace, devices=1)
    assert sample.losses[0].at_ns is None
    assert sample.losses[0].why == ""
    assert {one.at_ns for one in sample.shares} == {None}


def test_a_store_that_is_too_small_from_the_start_is_refused(pace):
    small = parse_scenario(SCENARIO.replace("128 KiB", "24 KiB").replace("keep = 2", "keep = 60").encode(), "s.toml")
    with pytest.raises(ValueError, match=r"refuses a write \(ENOSPC\) while all its blocks are sound"):
        sample_losses(small, LAW, replace(pace, erases=pace.erases[:6]), devices=1, seed=0, hurry=1000)


def test_limits_are_hurried_to_the_cycles_asked_for(scenario, pace):
    hurry = hurry_for(LAW, 20)
    limits = lost_store._work(scenario, LAW, 5, hurry, pace).limits
    assert limits == tuple(max(1, round(limit / hurry) - 1) for limit in limits_of(LAW, 5, BLOCKS))
    assert hurry_for(WeibullLimits(10, 3), 20) == 1
