"""Ten years of a tide gauge: a reading every 6 minutes, open-append-close each, one file a day, 60 days kept, on 3 MiB.
The fast path against the plain one, against merely copying and checksumming as many bytes, and to the end of life.
And ten years of a logger that reads two noisy values every ten minutes: its lines against `%` on ready numbers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from time import process_time
from zlib import crc32

from benchmarks.measure import Figure, ratio, seconds_in_turn
from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.device.device import Device, Run
from simfs.replay.play import make_store, play
from simfs.replay.player.contents import Series
from simfs.replay.player.player import Player
from simfs.replay.scenario.load import parse_scenario
from simfs.replay.scenario.tables import Scenario
from simfs.study.life.end_of_life import end_of_life

NAMES = (
    "ten years of appends, fast path against plain",
    "the same against copying and checksumming the bytes",
    "text of varying length against making the text",
    "3 MiB to the first block at 10,000 cycles",
    "values and text of ten years against formatting",
    "ten years of readings, the whole run, against it",
)
GAUGE = """
[chip]
size = "{size}"
rated_cycles = {cycles}
[run]
start = 2031-01-01
duration = "{days} d"
[values.level]
mean = 100
walk = {{ step = 40 }}
[[task]]
name = "gauge"
every = "6 min"
operations = [{{ do = "append", file = "/tide/{{date}}.csv", text = "{text}\\n", keep = {keep} }}]
"""
FIXED = "{date}T{time};+1.234;+11.8;0;ok"
VARYING = "{date}T{time};{level}"
LOGGER = """
[chip]
size = "{size}"
block = "4 KiB"
[store]
name_bytes = 32
overlong = "cut"
fold_case = true
[run]
start = 2031-01-01
duration = "{days} d"
[values.level]
mean = 2.5
decimals = 2
noise = 1.2
[values.temp]
mean = 11
decimals = 1
noise = 7.5
[[task]]
name = "logger"
every = "10 min"
operations = [
    {{ do = "append", file = "/log/{{date}}.csv", text = "{{date}}T{{time}},{{level}},{{temp}}\\n", keep = {keep} }}
]
"""
LINE = "%04d-%02d-%02dT%02d:%02d:%02d,%.2f,%.1f\n"
LINES_A_DAY, LINES_A_BLOCK = 144, 84


def logger(days: int, small: bool) -> Scenario:
    """Settings as firmware has them that was made for a removable card; a small one has a 48th of the store."""
    size, keep = ("64 KiB", 2) if small else ("3 MiB", 365)
    return parse_scenario(LOGGER.format(size=size, days=days, keep=keep).encode(), "logger.toml")


def ready_numbers() -> list[tuple[float, ...]]:
    """Those of a day's lines."""
    times = [divmod(at * 10, 60) for at in range(LINES_A_DAY)]
    return [(2031, 4, 5, hour, minute, 0, 1.3 + minute / 25, 3.5 + hour / 2) for hour, minute in times]


def formatted(numbers: Sequence[tuple[float, ...]], days: int) -> None:
    """So many days' lines from ready numbers, by the operator %."""
    for _ in range(days):
        for row in numbers:
            LINE % row


def scenario_of(text: str, days: int, small: bool) -> Scenario:
    """The gauge; a small one has a 48th of the store, and keeps a day."""
    size, keep, cycles = ("64 KiB", 1, 60) if small else ("3 MiB", 60, 10_000)
    head = GAUGE.format(size=size, cycles=cycles, days=days, text=text, keep=keep)
    return parse_scenario(head.encode(), "gauge.toml")


def copied(run: Run) -> None:
    """As many bytes as the run programmed, copied and checksummed in one go."""
    size_bytes, image = run.flash.program_bytes, run.flash.image()
    whole = image * (size_bytes // len(image) + 1)
    crc32(memoryview(bytearray(whole))[:size_bytes])


class _TextOnly(Player):
    """Makes every text of the scenario and copies it, and does nothing else."""

    def texts(self) -> bytes:
        (played,) = self._tasks
        moment, contents = played.stage.moment, played.stage.contents[0]
        every_ns = played.task.every or 0
        made = bytearray()
        for moment.now_ns in range(self.device.start_ns, self.end_ns, every_ns):
            made += contents()
        return bytes(made)

    def lines(self, at_once: int) -> None:
        """Make every text, so many at once."""
        (played,) = self._tasks
        every_ns, contents = played.task.every or 0, played.stage.contents[0]
        times = range(self.device.start_ns, self.end_ns, every_ns)
        for done in range(0, len(times), at_once):
            contents.many(Series(times[done : done + at_once], done, 1, 0))


def run(small: bool) -> Iterator[Figure]:
    days, rounds = (8, 1) if small else (3650, 3)  # in either, a block is erased more than once
    fixed, varying = scenario_of(FIXED, days, small), scenario_of(VARYING, days, small)
    done = play(fixed, "fixed")
    fast, copying = seconds_in_turn(3 * rounds, lambda: play(fixed, "fixed"), lambda: copied(done))
    plain, again = seconds_in_turn(rounds, lambda: play(fixed, "fixed", plain=True), lambda: play(fixed, "fixed"))
    assert play(fixed, "fixed", plain=small).flash.image() == done.flash.image()
    yield ratio(NAMES[0], 1 / 25, again, plain, unit="ms")
    yield ratio(NAMES[1], 10, fast, copying, unit="ms")
    texts = _TextOnly(varying, Device(done.store, start_ns=varying.run.start))
    text = seconds_in_turn(rounds, lambda: play(varying, "text"), texts.texts)
    yield ratio(NAMES[2], 3, *text, unit="ms")
    began = process_time()
    life = end_of_life(fixed)
    seconds = process_time() - began
    days = life.period_ns // NS_PER_DAY
    detail = f"on {life.clock}, block {life.block}; {life.skipped_periods} periods of {days:,} d skipped"
    yield Figure(NAMES[3], seconds, "s", 60, detail)
    yield from _of_readings(8 if small else 3650, 3 * rounds, small)


def _of_readings(days: int, rounds: int, small: bool) -> Iterator[Figure]:
    """What is drawn and written of each line, made as many at once as a block holds; and all that the device does."""
    scenario, numbers = logger(days, small), ready_numbers()

    def made() -> None:
        _TextOnly(scenario, Device(make_store(scenario), start_ns=scenario.run.start)).lines(LINES_A_BLOCK)

    text, whole, formatting = seconds_in_turn(
        rounds, made, lambda: play(scenario, "logger"), lambda: formatted(numbers, days)
    )
    yield ratio(NAMES[4], 3.5, text, formatting, operations=days * LINES_A_DAY)
    yield ratio(NAMES[5], 8, whole, formatting, operations=days * LINES_A_DAY)
