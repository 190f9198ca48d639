"""Hostile scenarios: a scenario with a few values, keys and tables that no one would write, or the text of one with
damage in it."""

from __future__ import annotations

import tomllib
from copy import deepcopy
from datetime import UTC, date, datetime, time
from functools import cache
from itertools import islice
from random import Random
from typing import Any

from simfs.replay.play import play
from simfs.replay.scenario.crosschecks import region_blocks
from simfs.replay.scenario.input_faults import FAULTS_SHOWN_MAX, BadScenario
from simfs.replay.scenario.load import parse_scenario
from simfs.replay.scenario.tables import Scenario
from simfs.show.json import as_json
from simfs.show.text import as_text
from simfs.study.run.expect import judge
from simfs.study.run.measure import figures
from tests.hostile.inputs.toml_text import toml_text
from tests.hostile.tally import Tally
from tests.support.places import SCENARIOS

SOURCE = "hostile.toml"
OPERATIONS_MAX = 200  # of a scenario that is played to its end here
WRITTEN_BYTES_MAX = 1 << 21
CHIP_BYTES_MAX = 1 << 20

_EVERYTHING = """
title = "Everything that a scenario can say"
[chip]
size = "128 KiB"
block = "4 KiB"
page = "256 B"
program_unit = "1 B"
page_programs_max = 0
program_typ = "400 us"
program_max = "3 ms"
erase_typ = "45 ms"
erase_max = "400 ms"
read_byte = "160 ns"
read_overhead = "640 ns"
program_ua = 15000
rated_cycles = 100000
[store]
start = "64 KiB"
size = "64 KiB"
cleaner = "best-of-d"
choices = 3
log_heads = 2
buffer = "128 B"
reserve_blocks = 3
idle_cleaning = true
name_bytes = 32
overlong = "cut"
fold_case = true
open_files_max = 4
[battery]
capacity = "2400 mAh"
voltage = "3.6 V"
self_discharge_percent = 1.5
sleep_current = "3.5 uA"
awake_current = "4 mA"
awake_time = "5 ms"
[run]
start = 2031-04-05
duration = "2 d"
seed = 3
[values.level]
mean = 2.5
decimals = 2
waves = [{ amplitude = 1.5, period = "12h 25min", phase = "1 h" }]
walk = { step = 0.1, least = -1.0, most = 1.0 }
noise = 0.05
least = 0.0
most = 5.0
[[task]]
name = "gauge"
every = "6 min"
first = "1 min"
jitter = "5 s"
burst = { count = [1, 3], gap = "1 s", jitter = "1 s" }
until = { runs = 100, after = "1 d", refusals = 50, live_percent = 90.0 }
counter_every = 3
operations = [
  { do = "append", file = "/{year}{month}/{date}-{counter:3}.csv", text = "{time},{level}\\n", keep = 3, gather = 2 },
  { do = "update", file = "/ring", at = "any", size = "16 B" },
  { do = "update", file = "/ring", at = "next", size = ["4 B", "16 B"], repeat = 2 },
  { do = "read", file = "/ring", at = "4 B", size = "8 B", only_if = "present" },
]
[[task]]
name = "nightly"
daily = ["03:00", 04:30:00]
operations = [
  { do = "write", file = "/new", size = "60 B" },
  { do = "rename", file = "/new", to = "/settings" },
  { do = "create", file = "/lock{boot}" },
  { do = "truncate", file = "/lock{boot}", size = "100 B" },
  { do = "remove", file = "/lock{boot}", back = "0 s" },
  { do = "list", prefix = "/" },
  { do = "boot" },
]
[[task]]
name = "start"
at_boot = true
operations = [{ do = "read", file = "/settings" }]
[expect]
life_min = "1 year"
sound = true
"""
_ODD: tuple[Any, ...] = (
    0, -1, 1, 2**31, 2**32 - 1, 2**32, 2**63 - 1, 2**64, -(2**63), 10**400, 0.0, -0.0, 1e308, 5e-324, float("inf"),
    float("nan"), True, False, "", " ", "\0", "\n", "a\tb", "\x1b[2J", "x" * 300, "/" * 48, "é", "\U0001f600",
    "\u202e", "'", '"', "1", "-1 B", "1 B", "0 B", "1 KiB", "4 GiB", "999999999999999999 GiB", "0.000000001 B", "1 m",
    "1 ns", "0 s", "1000 years", "1h30m", "5 d 5 d", "1e9 s", "\u0661 s", "{", "}", "{{}}", "{date}", "{counter:99}",
    "{level}", "{nothing}", "{0.__class__}", "{counter}" * 20, "next", "any", "append", "boot", "W25Q32JV", "present",
    "03:00", "24:00", "2031-02-29", "9999-12-31", "999999-12-31 23:59:59", date(1, 1, 1), date(9999, 12, 31),
    datetime(2031, 4, 5, 3, 0), datetime(2031, 4, 5, tzinfo=UTC), time(23, 59, 59, 999999), [], {}, [[]], [{}], [1,
    "a"], ["4 B", "2 B"], [0, 10**9], {"a": {"b": {"c": 1}}}, {"": 1}, [[[[[[1]]]]]], ["x"] * 120,
)  # fmt: skip
_ODD_KEYS = ("size", "x" * 200, "", "do", "a.b", "é\n", "part", "keep", "every")


@cache
def seeds() -> tuple[dict[str, Any], ...]:
    """Sound scenarios, made short: the project's own, and one that says everything."""
    own = SCENARIOS.glob("*.toml")
    tables = [tomllib.loads(text) for text in (_EVERYTHING, *(path.read_text() for path in sorted(own)))]
    for table in tables:
        table["run"]["duration"] = "2 h"
    return tuple(tables)


def run_scenarios(cases: int, seed: int) -> Tally:
    """Judge so many hostile scenarios."""
    tally = Tally()
    for number in range(cases):
        raw = hostile_scenario(Random(f"{seed} {number}"))
        outcome, fault = judge_scenario(raw)
        tally.note(outcome, fault and f"run_scenarios: hostile_scenario(Random('{seed} {number}')): {fault}")
    return tally


def hostile_scenario(random: Random) -> bytes:
    """The bytes of one scenario."""
    table = deepcopy(random.choice(seeds()))
    for _ in range(random.choice((0, 1, 1, 2, 3, 6))):
        change_table(table, random)
    raw = toml_text(table).encode()
    return damaged_text(raw, random) if random.randrange(3) == 0 else raw


def change_table(table: dict[str, Any], random: Random) -> None:
    """One value is odd, gone, twice or elsewhere."""
    places = list(islice(_places(table), 2000))
    if len(places) == 2000 or not places:
        return  # it has grown enough, or there is nothing left
    around, key = random.choice(places)
    what = random.randrange(8)
    if what < 4:
        around[key] = deepcopy(random.choice(_ODD))
    elif what == 4:
        del around[key]
    elif what == 5:
        other, from_key = random.choice(places)
        around[key] = deepcopy(other.get(from_key, 0) if isinstance(other, dict) else other[0] if other else 0)
    elif what == 6 and isinstance(around, dict):
        around[random.choice(_ODD_KEYS)] = deepcopy(random.choice(_ODD))
    elif isinstance(around, list):
        around.extend(deepcopy(around) * random.choice((1, 1, 30)) if len(places) < 200 else [])


def _places(value: Any) -> Any:
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, inner in list(items):
        yield value, key
        if isinstance(inner, dict | list):
            yield from _places(inner)


def damaged_text(raw: bytes, random: Random) -> bytes:
    """Bytes and lines of a text lost, doubled, swapped, put where they do not belong."""
    for _ in range(random.choice((1, 1, 2, 4))):
        lines = raw.split(b"\n")
        at, other = random.randrange(len(lines)), random.randrange(len(lines))
        what = random.randrange(7)
        if what == 0:
            del lines[at]
        elif what == 1:
            lines.insert(other, lines[at])
        elif what == 2:
            lines[at], lines[other] = lines[other], lines[at]
        elif what == 3:
            lines[at] = lines[at][: random.randrange(len(lines[at]) + 1)]
        elif what == 4:
            piece = random.choice(_PIECES)
            place = random.randrange(len(lines[at]) + 1)
            lines[at] = lines[at][:place] + piece + lines[at][place:]
        elif what == 5 and lines[at]:
            line = bytearray(lines[at])
            line[random.randrange(len(line))] = random.randrange(256)
            lines[at] = bytes(line)
        else:
            return b"\n".join(lines)[: random.randrange(len(raw) + 1)]
        raw = b"\n".join(lines)
    return raw


_PIECES = (
    b"\0", b"\xff", b"\xef\xbb\xbf", b"\r", b"\r\n", b'"""', b"'''", b"[", b"[[", b"]" * 3, b"{", b"=", b"#", b"\\",
    b"\\u0000", b"\\ud800", b"[" * 2000, b"{a=" * 500, b"a." * 500, b"9" * 5000, b"1_0", b"0x", b"1e999",
    b"\xe2\x80\xae", b"\x1b[31m",
)  # fmt: skip


# -- the promise


def judge_scenario(raw: bytes) -> tuple[str, str | None]:
    """How it ended, and what broke the promise, if anything did. A small scenario that is sound is played."""
    try:
        scenario = parse_scenario(raw, SOURCE)
    except BadScenario as bad:
        return "refused", _fault_of(bad, raw.count(b"\n") + 1)
    except Exception as error:
        return type(error).__name__, f"reading: {error!r:.300}"
    if not _is_small(scenario):
        return "read", None
    try:
        run = play(scenario, SOURCE)
        taken = figures(run)
        verdicts = judge(run, taken)
        as_json(taken, verdicts)
        text = as_text(taken, verdicts)
    except Exception as error:
        return type(error).__name__, f"playing: {error!r:.300}"
    strange = [line for line in text.split("\n") if not line.isprintable()]
    return "played", f"the report holds {strange[0]!r}" if strange else None


def _fault_of(bad: BadScenario, line_count: int) -> str | None:
    """What is wrong with the faults."""
    if not 1 <= len(bad.faults) <= FAULTS_SHOWN_MAX:
        return f"{len(bad.faults)} faults"
    for fault in bad.faults:
        if not 1 <= fault.line <= line_count or not fault.what or not fault.path:
            return f"{fault}: line {fault.line} of {line_count}"
    return None


def _is_small(scenario: Scenario) -> bool:
    """Whether it can be played to its end here and now."""
    sheet = scenario.chip.datasheet()
    if region_blocks(scenario.chip, scenario.store) * sheet.block_bytes > CHIP_BYTES_MAX:
        return False
    operations = written = 0
    for task in scenario.task:
        runs = 1 + scenario.run.duration // task.every if task.every else 1 + scenario.run.duration // (86_400 * 10**9)
        runs *= (len(task.daily) if task.daily else 1) * (task.burst.count[1] if task.burst else 1)
        runs = min(runs, task.until.runs) if task.until and task.until.runs else runs
        for operation in task.operations:
            repeated = runs * getattr(operation, "repeat", 1)
            operations += repeated
            size = getattr(operation, "size", None) or 0
            written += repeated * (size[1] if isinstance(size, list) else size)
    return operations <= OPERATIONS_MAX and written <= WRITTEN_BYTES_MAX
