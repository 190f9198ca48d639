"""1,000 unequal devices to their first lost block, against one of them: they share their path until then.

Both carry on the tide gauge on 3 MiB, each append by itself a frame. The limits are short, so that one device takes
seconds: it is the one in the middle of the fleet. Drawing the limits is counted.
"""

from __future__ import annotations

from collections.abc import Iterator

from benchmarks.measure import Figure, ratio, seconds_in_turn
from simfs.replay.scenario.load import parse_scenario
from simfs.study.fleet.first_block import device_seed
from simfs.study.fleet.limit_laws import WeibullLimits, limits_of
from simfs.study.fleet.shared_path import first_losses

NAMES = ("1,000 devices to their first lost block against one",)
SCENARIO = """\
[chip]
size = "{size} KiB"
[run]
start = 2031-01-01
duration = "1 d"
[[task]]
name = "gauge"
every = "6 min"
operations = [{{ do = "append", file = "/tide/{{date}}.csv", size = "40 B", keep = {keep} }}]
"""
LONG_NS = 1 << 80


def run(small: bool) -> Iterator[Figure]:
    devices, blocks, keep, cycles, rounds = (30, 32, 2, 30, 1) if small else (1000, 768, 60, 400, 1)
    scenario = parse_scenario(SCENARIO.format(size=4 * blocks, keep=keep).encode(), "fleet.toml")
    law = WeibullLimits(cycles, 3)
    weakest = [(min(limits_of(law, device_seed(1, number), blocks)), number) for number in range(devices)]
    middle = sorted(weakest)[devices // 2][1]

    def lose(numbers: range) -> None:
        limits = [limits_of(law, device_seed(1, number), blocks) for number in numbers]
        first_losses(scenario, limits, max_ns=LONG_NS)

    taken = seconds_in_turn(rounds, lambda: lose(range(devices)), lambda: lose(range(middle, middle + 1)))
    yield ratio(NAMES[0], 3, taken[0], taken[1], unit="ms")
