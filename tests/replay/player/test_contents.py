"""What operations write: texts held to Python's own formatting, and the same bytes however they are asked for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from math import sqrt
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_S, moment
from simfs.replay.device.device import Run
from simfs.replay.play import play
from simfs.replay.player.contents import Contents, Fillers, Series, Texts
from simfs.replay.player.sensor_values import Sensor, point_set
from simfs.replay.scenario.load import parse_scenario
from simfs.replay.scenario.patterns import CLOCK_FIELDS, COUNT_FIELDS, Moment, parse_pattern
from simfs.replay.scenario.tables import Value

VALUES: dict[str, Any] = {
    "level": {"mean": 2.5, "decimals": 2, "noise": 3, "waves": [{"amplitude": 1.5, "period": "12h 25min 14s"}]},
    "temp": {"mean": -4, "walk": {"step": 2, "least": -20, "most": 20}},
}
EVERY_NS = 397 * NS_PER_S
CALENDAR_REPEATS_YEARS, CALENDAR_REPEATS_DAYS = 400, 146_097


def sensors() -> dict[str, Sensor]:
    return {name: Sensor(Value.model_validate(table), 7, name, "gauge") for name, table in VALUES.items()}


def never() -> Series:
    raise AssertionError("nobody asks for the present moment")


def text(pattern: str, now: Callable[[], Series] = never, repeat: int = 1) -> Texts:
    return Texts(parse_pattern(pattern), sensors(), repeat, now)


def fillers(size: Sequence[int], now: Callable[[], Series] = never, repeat: int = 1, stream: str = "log") -> Fillers:
    return Fillers(size, repeat, now, 7, stream)


def series(first_ns: int, count: int, runs: int = 0, repetition: int = 0) -> Series:
    return Series(range(first_ns, first_ns + count * EVERY_NS, EVERY_NS), runs, 3, 12, repetition)


def one_by_one(make: Callable[[Callable[[], Series]], Contents], asked: Series) -> list[bytes]:
    """As a device does it that takes one moment after the other."""
    present = asked
    contents = make(lambda: present)
    made = []
    for at, at_ns in enumerate(asked.times_ns):
        present = asked._replace(times_ns=(at_ns,), runs=asked.runs + at)
        made.append(contents())
    return made


def as_python_writes(name: str, width: int, at_ns: int, run: int) -> str:
    """A field of the clock, by `datetime`, or a counter."""
    if name in COUNT_FIELDS:
        return f"{run // 3 if name == 'counter' else 12:0{width}}"
    days, ns = divmod(at_ns, NS_PER_DAY)
    eras, days = divmod(days, CALENDAR_REPEATS_DAYS)
    clock = datetime(1, 1, 1) + timedelta(days=days, microseconds=ns // 1000)
    year = f"{clock.year + eras * CALENDAR_REPEATS_YEARS:04}"
    clock_texts = {"date": f"{year}-{clock:%m-%d}", "year": year, "month": f"{clock:%m}", "day": f"{clock:%d}"}
    clock_texts |= {"time": f"{clock:%H:%M:%S}", "hour": f"{clock:%H}"}
    return (clock_texts | {"minute": f"{clock:%M}", "second": f"{clock:%S}"})[name].zfill(width)


FIELDS = st.tuples(st.sampled_from([*CLOCK_FIELDS, *COUNT_FIELDS, *VALUES]), st.integers(0, 18))
PIECES = st.lists(
    st.one_of(FIELDS, st.sampled_from([",", "T", "%", "%d", "{{", "}}", "\u00b0C", "\n", "%%s"])), max_size=9
)
STARTS = st.integers(0, 12_000 * 365).map(lambda days: days * NS_PER_DAY + 86_000 * NS_PER_S)


def spelt(pieces: list[str | tuple[str, int]]) -> str:
    fields = [
        piece if isinstance(piece, str) else f"{{{piece[0]}{f':{piece[1]}' * (piece[1] > 0)}}}" for piece in pieces
    ]
    return "".join(fields)


@given(PIECES, STARTS, st.integers(0, 600), st.integers(1, 300))
def test_texts_are_what_python_writes(
    pieces: list[str | tuple[str, int]], start_ns: int, runs: int, count: int
) -> None:
    """Each reading of a value in a text is the sensor's next one."""
    asked = series(start_ns, count, runs)
    columns = []
    read_before = dict.fromkeys(VALUES, 0)
    read = sensors()
    for piece in pieces:
        if not isinstance(piece, str) and piece[0] in VALUES:
            read[piece[0]].reserve(1)
    for piece in pieces:
        if isinstance(piece, str):
            columns.append([piece.replace("{{", "{").replace("}}", "}")] * count)
        elif piece[0] in VALUES:
            sensor = read[piece[0]]
            units = sensor.readings(runs, read_before[piece[0]], asked.times_ns)
            read_before[piece[0]] += 1
            columns.append([f"{unit / 10**sensor.decimals:.{sensor.decimals}f}".rjust(piece[1]) for unit in units])
        else:
            columns.append([as_python_writes(*piece, at_ns, runs + at) for at, at_ns in enumerate(asked.times_ns)])
    expected = ["".join(row).encode() for row in zip(*columns, strict=True)] if columns else [b""] * count
    assert text(spelt(pieces)).many(asked) == expected


@given(PIECES, STARTS, st.integers(0, 600), st.integers(1, 300))
def test_many_texts_are_those_of_one_by_one(
    pieces: list[str | tuple[str, int]], start_ns: int, runs: int, count: int
) -> None:
    pattern, asked = spelt(pieces), series(start_ns, count, runs)
    assert text(pattern).many(asked) == one_by_one(lambda now: text(pattern, now), asked)


@given(st.tuples(st.integers(0, 90), st.integers(0, 90)).map(sorted), st.integers(0, 600), st.integers(1, 300))
def test_many_fillers_are_those_of_one_by_one(size: list[int], runs: int, count: int) -> None:
    asked = series(0, count, runs)
    assert fillers(size).many(asked) == one_by_one(lambda now: fillers(size, now), asked)


BORDERS = series(moment(2031, 4, 5), 1200)
MAKERS: list[Callable[[], Contents]] = [lambda: text("{time},{level},{temp},{level}\n"), lambda: fillers([1, 60])]
IN_A_ROW = [make().many(BORDERS) for make in MAKERS]


@given(st.lists(st.tuples(st.integers(0, 900), st.integers(1, 300)), max_size=5))
def test_contents_are_the_same_whenever_they_are_asked_for(asked: list[tuple[int, int]]) -> None:
    """Ahead of their time, over the borders of blocks, or again."""
    for make, expected in zip(MAKERS, IN_A_ROW, strict=True):
        contents = make()
        for first, count in asked:
            part = BORDERS._replace(times_ns=BORDERS.times_ns[first : first + count], runs=first)
            assert contents.many(part) == expected[first : first + count]


def test_moments_need_not_be_evenly_spaced() -> None:
    times = [moment(9999, 12, 31, 23, 59, 58), moment(9999, 12, 31, 23, 59, 58), moment(10_000, 1, 1), moment(12_345)]
    made = text("{date} {time} {counter}").many(Series(times, 7, 4, 0))
    assert made == [
        b"9999-12-31 23:59:58 1",
        b"9999-12-31 23:59:58 2",
        b"10000-01-01 00:00:00 2",
        b"12345-01-01 00:00:00 2",
    ]


CLOCKED = ["", "plain %s", "{date}T{time}", "{counter:3}-{boot}", "{year}", "\u00b0{hour:4}"]


@pytest.mark.parametrize("pattern", [*CLOCKED, "{date} {time},{level:5},{temp:3}\n"])
def test_a_length_that_is_known_is_that_of_the_text(pattern: str) -> None:
    contents = text(pattern)
    for year in (1, 9999, 10_000, 123_456):
        at = Moment(moment(year, 12, 31), 1000, 12)
        (made,) = contents.many(Series((at.now_ns,), 3000, 3, 12))
        assert contents.length_at(at) == len(made)
    assert text("{date},{level:4}").length_at(Moment()) is None
    assert (fillers([7, 7]).length_at(Moment()), fillers([7, 8]).length_at(Moment())) == (7, None)


def test_readings_of_a_repeated_text_go_on_from_one_to_the_next() -> None:
    """A value that stands twice in a text, written three times in each run, is read six times in a row."""
    contents = text("{temp} {temp}", repeat=3)
    runs = [contents.many(series(0, 40, 0, repetition)) for repetition in range(3)]
    walked = [float(part) for row in zip(*runs, strict=True) for made in row for part in made.split()]
    alone = sensors()["temp"]
    alone.reserve(1)
    assert walked == [float(point_set(units, 0)) for units in alone.readings(0, 0, [0] * 240)]


def test_repeated_fillers_differ() -> None:
    contents = fillers([20, 20], repeat=3)
    made = [contents.many(series(0, 1, run, repetition)) for run in range(100) for repetition in range(3)]
    assert len(set(map(tuple, made))) == 300
    together = [contents.many(series(0, 90, 10, repetition)) for repetition in range(3)]
    assert [[piece] for row in zip(*together, strict=True) for piece in row] == made[30:]


def test_fillers_of_two_operations_differ_and_their_sizes_are_even() -> None:
    """Chi-square of ten sizes, 9 degrees of freedom: 27.9 is passed once in 1000 times."""
    one, other = (fillers([20, 29], stream=stream).many(series(0, 5000)) for stream in ("log", "events"))
    assert not any(a[:20] == b[:20] for a, b in zip(one, other, strict=True))
    sizes = Counter(map(len, one))
    assert set(sizes) == set(range(20, 30))
    assert sum((count - 500) ** 2 / 500 for count in sizes.values()) < 27.9


def test_fillers_take_all_bytes_alike() -> None:
    """The pool is 64 KiB of hashes: each byte comes 256 times in it, give or take 16 and more for the slices."""
    seen = Counter(b"".join(fillers([64, 64]).many(series(0, 4096))))
    assert len(seen) == 256
    assert max(abs(count - 1024) for count in seen.values()) < 6 * sqrt(1024 * 4)


def written(tasks: str, values: str = "", head: str = 'size = "256 KiB"') -> Run:
    plan = f'[chip]\n{head}\n[run]\nstart = 2031-04-05\nduration = "2 d"\n{values}\n{tasks}'
    return play(parse_scenario(plan.encode(), "plan.toml"), "plan.toml", plain=True)


def lines(run: Run, name: str) -> list[str]:
    with run.store.open(name) as file:
        return bytes(file.read() or b"").decode().split("\n")


NOISE = "[values.level]\nnoise = 1000000"


def test_a_refusal_changes_nothing_of_what_comes_after() -> None:
    """The second task keeps the store full for most of a day."""
    task = '[[task]]\nname = "log"\nevery = "1 h"\noperations = [{ do = "append", file = "/log", text = "{level}\\n" }]'
    full = """
[[task]]
name = "full"
every = "9 h"
until = { runs = 1 }
operations = [
    { do = "append", file = "/full", size = "4 KiB", repeat = 30 },
    { do = "append", file = "/full", size = "100 B", repeat = 50 },
    { do = "append", file = "/full", size = "1 B", repeat = 200 },
]
[[task]]
name = "room"
every = "1 d"
first = "20 h"
operations = [{ do = "remove", file = "/full" }]
"""
    without, refused = written(task, NOISE), written(f"{task}\n{full}", NOISE, 'size = "96 KiB"')
    expected, found = lines(without, "/log"), lines(refused, "/log")
    missing = refused.tasks["log"].refused
    assert 5 < missing < 24
    assert len(found) == len(expected) - missing
    hours = [expected.index(line) for line in found[:-1]]
    assert hours == sorted(hours)
    assert hours[-1] == len(expected) - 2


def test_operations_of_a_task_read_one_after_the_other() -> None:
    task = """
[[task]]
name = "log"
every = "1 h"
operations = [
    { do = "append", file = "/a", text = "{level}\\n", repeat = 2 },
    { do = "append", file = "/absent", text = "{level}\\n", only_if = "present" },
    { do = "append", file = "/b", text = "{level}\\n" },
]
"""
    run = written(task, NOISE)
    sensor = Sensor(Value(noise=1_000_000), 0, "level", "log")
    sensor.reserve(1)
    numbers = [str(units) for units in sensor.readings(0, 0, [0] * 192)]
    assert lines(run, "/a")[:-1] == [number for at, number in enumerate(numbers) if at % 4 < 2]
    assert lines(run, "/b")[:-1] == numbers[3::4]
