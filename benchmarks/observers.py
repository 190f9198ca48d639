"""What it costs to be told of everything: a replay with an observer that counts all that happens, and one that charges
each byte and erase to who wears the flash, against the same replay one operation after the other that nobody
observes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from benchmarks.decade import FIXED, scenario_of
from benchmarks.measure import Figure, ratio, seconds_in_turn
from simfs.replay.device.observer import Observer
from simfs.replay.play import play
from simfs.replay.scenario.load import load_scenario
from simfs.replay.scenario.tables import Scenario
from simfs.store.tables.blocks import State
from simfs.store.tables.listener import Cause
from simfs.study.wearers.charging import Charging

NAMES = (
    "a gauge's appends, with an observer that counts all",
    "the same, charged to who wears the flash",
    "a store kept nearly full, with such an observer",
    "the same, charged to who wears the flash",
)
GOAL = 1.25
NEARLY_FULL = Path(__file__).parent.parent / "scenarios" / "nearly_full.toml"


class Tally(Observer):
    """Counts operations and refusals by task, programs, their bytes and erases by cause, and changes of blocks by what
    the block becomes."""

    def __init__(self) -> None:
        self.operations: Counter[str] = Counter()
        self.refused: Counter[str] = Counter()
        self.programs = {cause: [0, 0] for cause in Cause}
        self.erases: Counter[Cause] = Counter()
        self.changes: Counter[State] = Counter()

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        self.operations[task] += 1
        if refused:
            self.refused[task] += 1

    def programmed(self, address: int, data: bytes, cause: Cause) -> None:
        programs = self.programs[cause]
        programs[0] += 1
        programs[1] += len(data)

    def erased(self, block: int, cause: Cause) -> None:
        self.erases[cause] += 1

    def block_changed(self, block: int, before: State, after: State) -> None:
        self.changes[after] += 1


def run(small: bool) -> Iterator[Figure]:
    """Operations of which little else is to be done than what the store does."""
    gauge_days, full_days, rounds = (2, 1, 1) if small else (60, 60, 9)
    full = load_scenario(NEARLY_FULL)
    days = full.run.model_copy(update={"duration": full.run.duration * full_days // 60})
    scenarios = (scenario_of(FIXED, gauge_days, small), full.model_copy(update={"run": days}))
    for at, scenario in enumerate(scenarios):
        yield from _told(NAMES[2 * at : 2 * at + 2], scenario, rounds)


def _told(names: tuple[str, ...], scenario: Scenario, rounds: int) -> Iterator[Figure]:
    tally = Tally()
    play(scenario, "", observers=[tally])
    told, charged, plain = seconds_in_turn(
        rounds,
        lambda: play(scenario, "", observers=[Tally()]),
        lambda: play(scenario, "", observers=[Charging()]),
        lambda: play(scenario, "", plain=True),
    )
    for name, observed in zip(names, (told, charged), strict=True):
        yield ratio(name, GOAL, observed, plain, operations=tally.operations.total())
