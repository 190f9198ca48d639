"""Many devices on one path, held against each of them by itself and against the formula."""

import pytest

from simfs.replay.scenario.load import parse_scenario
from simfs.study.fleet.first_block import check, device_seed, first_lost_by, simulate
from simfs.study.fleet.limit_laws import WeibullLimits, limits_of
from simfs.study.fleet.order_statistics import sampled
from simfs.study.fleet.shared_path import first_losses
from simfs.study.life.end_of_life import end_of_life

SCENARIO = """\
[chip]
size = "256 KiB"
[run]
duration = "1 d"
[[task]]
name = "gauge"
every = "10 min"
operations = [{ do = "append", file = "/{date}.csv", size = "1 KiB", keep = 1 }]
[[task]]
name = "restart"
every = "3 d"
operations = [{ do = "boot" }]
"""
BLOCKS, LAW = 64, WeibullLimits(100, 3)
NEVER_NS = 1 << 80


@pytest.fixture(scope="module")
def scenario():
    return parse_scenario(SCENARIO.encode(), "s.toml")


def limits(devices):
    return [limits_of(LAW, device_seed(4, number), BLOCKS) for number in range(devices)]


def test_each_device_loses_its_block_as_if_it_were_alone(scenario):
    fleet = [[4] * BLOCKS, [5] * BLOCKS, *limits(3)]
    found, _ = first_losses(scenario, fleet, max_ns=NEVER_NS)
    for lost, of_device in zip(found, fleet, strict=True):
        alone = end_of_life(scenario, until="limit", limits=[limit + 1 for limit in of_device], plain=True)
        assert (lost.block, lost.erases, lost.at_ns) == (alone.block, alone.cycles, alone.at_ns)
        assert of_device[lost.block] == lost.erases - 1


def test_the_fleet_on_its_path_agrees_with_the_formula(scenario):
    told = []
    found, pace = first_losses(scenario, limits(300), max_ns=NEVER_NS, progress=lambda *at: told.append(at))
    assert check(LAW, pace, found).agrees
    for share in (0.1, 0.5):
        interval = sampled([lost.at_ns for lost in found], share)
        assert interval.least_ns * 0.95 < first_lost_by(LAW, pace, share) < interval.most_ns * 1.05
    assert pace.over_ns >= max(lost.at_ns for lost in found)
    assert {whole for _, whole in told} == {max(map(min, limits(300))) + 1}
    assert 0.9 < told[-1][0] / told[-1][1] < 1.1
    by_pace = simulate(LAW, pace, 300, 4)
    assert sum(a.block == b.block for a, b in zip(found, by_pace, strict=True)) > 200
    for on_path, paced in zip(found, by_pace, strict=True):
        assert on_path.at_ns == pytest.approx(paced.at_ns, abs=9 * pace.over_ns / max(pace.erases))


def test_a_fleet_that_lasts_too_long_is_refused(scenario):
    with pytest.raises(ValueError, match="no pace that lasts"):
        first_losses(scenario, limits(2), max_ns=10**12)
