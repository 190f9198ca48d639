"""The fast path gives what the plain one gives: the same flash, byte for byte, and the same report, each figure."""

from __future__ import annotations

from hashlib import sha256

import pytest

from simfs.flash import Rng
from simfs.replay.device.device import Device, Run
from simfs.replay.device.notes import Alike
from simfs.replay.play import play, replay
from simfs.replay.scenario.load import load_scenario, parse_scenario
from simfs.show.json import as_json
from simfs.study.run.expect import judge
from simfs.study.run.measure import figures
from tests.support.places import ON_FLASH, ROOT

SCENARIOS = [path.name for path in ON_FLASH if path.suffix == ".toml"]  # on a card no operations go together


def outcome(run: Run) -> tuple[str, ...]:
    """All that a run leaves: the image, the whole report, and every note."""
    taken = figures(run)
    notes = (run.flash.counts, run.tasks, run.writes, run.held, run.refusals, run.boots, run.store.meters)
    ends = (run.flash.erase_counts, run.store.blocks(), run.store.ram(), run.store.check(), run.duration_ns)
    return (sha256(run.flash.image()).hexdigest(), as_json(taken, judge(run, taken)), *map(repr, notes + ends))


def outcomes(text: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    scenario = parse_scenario(text.encode(), "case.toml")
    return outcome(play(scenario, "case.toml", plain=True)), outcome(play(scenario, "case.toml"))


@pytest.fixture
def appended(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many appends went together each time."""
    counts: list[int] = []
    note = Device.note_alike

    def counted(self: Device, task: str, operation: str, done: Alike) -> None:
        counts.append(len(done.starts_ns))
        note(self, task, operation, done)

    monkeypatch.setattr(Device, "note_alike", counted)
    return counts


@pytest.mark.parametrize("name", SCENARIOS)
def test_scenarios_begin_the_same(name: str) -> None:
    """The fifth part of each, which is rotation and cleaning enough."""
    scenario = load_scenario(ROOT / "scenarios" / name)
    short = scenario.run.model_copy(update={"duration": scenario.run.duration // 5})
    scenario = scenario.model_copy(update={"run": short})
    assert outcome(play(scenario, name, plain=True)) == outcome(play(scenario, name))


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENARIOS)
def test_scenarios_come_out_the_same(name: str) -> None:
    path = ROOT / "scenarios" / name
    assert outcome(replay(path, plain=True)) == outcome(replay(path))


GAUGE = """
[chip]
size = "{size}"
{chip}
[store]
{store}
[run]
start = 9999-12-30
duration = "{days} d"
seed = {seed}
[values.level]
mean = 100
walk = {{ step = 40 }}
{tasks}
"""

PIECES = {
    "fixed": 'size = "40 B"',
    "text": 'text = "{{date}}T{{time}};{{counter:6}};ok\\n"',
    "counted": 'text = "{{counter}},{{year}}\\n"',
    "varying": 'size = ["1 B", "120 B"]',
    "large": 'size = ["200 B", "400 B"]',
    "read": 'text = "{{time}},{{level}}\\n"',
    "empty": 'size = ["0 B", "3 B"]',
}
OTHERS = [
    "",
    '[[task]]\nname = "settings"\nevery = "5 h"\noperations = [{ do = "write", file = "/settings", size = "90 B" }]',
    '[[task]]\nname = "office"\ndaily = "03:00"\n'
    'operations = [{ do = "read", file = "/log/{date}.csv", back = "1 d", only_if = "present" }]',
    '[[task]]\nname = "watchdog"\ndaily = "12:00"\noperations = [{ do = "boot" }]',
    '[[task]]\nname = "events"\nevery = "2 h"\njitter = "1 h"\n'
    'burst = { count = [1, 9], gap = "1 s", jitter = "3 s" }\n'
    'operations = [{ do = "append", file = "/events", size = ["4 B", "90 B"] }]',
    '[[task]]\nname = "ring"\nevery = "7 h"\n'
    'operations = [{ do = "append", file = "/log/{date}.csv", size = "9 B" }, '
    '{ do = "rename", file = "/settings", to = "/settings.old", only_if = "present" }]',
]
NAMES = ["/log/{date}.csv", "/log/{date}-{hour}.csv", "/log/{counter:5}.csv", "/log/all.csv", "/{month}.csv"]
CHIPS = [
    "",
    'block = "8 KiB"',
    'program_unit = "8 B"',
    'program_unit = "8 B"\npage = "512 B"\nblock = "8 KiB"',
    "page_programs_max = 24",
    'program_typ = "3 s"\nprogram_max = "9 s"',
]
STORES = [
    "",
    'packing = "page"',
    "log_heads = 2",
    'cleaner = "cost-benefit"',
    'cleaner = "random"\nlevel_threshold = 2',
    "idle_cleaning = true",
    'buffer = "64 B"',
    'cleaner = "oldest-first"\nlevel_threshold = 1\noverlong = "cut"',
    "level_threshold = 0\nfold_case = true",
]


def random_case(seed: int, days_max: int = 1) -> str:
    """A device with a small store, which it fills several times over."""
    rng = Rng(seed, "fast path")

    def one(of: list[str]) -> str:
        return of[rng.below(len(of))]

    def appends(name: str) -> str:
        keep = f", keep = {1 + rng.below(4)}" if "{" in (file := one(NAMES)) else ""
        content = PIECES[one(list(PIECES))].replace("{{", "{").replace("}}", "}")
        jitter = one(["", '\njitter = "20 s"', '\nburst = { count = [2, 5], gap = "2 s" }'])
        every = one(['"2 min"', '"41 s"', '"7 min"'])
        counter = one(["", "\ncounter_every = 50"])
        return (
            f'[[task]]\nname = "{name}"\nevery = {every}{jitter}{counter}\n'
            f'operations = [{{ do = "append", file = "{file}", {content}{keep} }}]\n'
        )

    tasks = [appends("first"), one(OTHERS), one(OTHERS) if rng.below(2) else ""]
    if rng.below(4) == 0:
        tasks.append(appends("second"))
    tasks = list(dict.fromkeys(tasks))
    size = one(["48 KiB", "64 KiB", "96 KiB"])
    return GAUGE.format(
        size=size, chip=one(CHIPS), store=one(STORES), days=1 + rng.below(days_max), seed=seed, tasks="\n".join(tasks)
    )


A_DAY = {"size": "64 KiB", "chip": "", "store": "", "days": 1, "seed": 1} | {
    "tasks": '[[task]]\nname = "first"\nevery = "1 min"\noperations = [{ do = "append", file = "/a", size = "20 B" }]'
}


@pytest.mark.parametrize("seed", range(16))
def test_random_devices_come_out_the_same(seed: int) -> None:
    plain, fast = outcomes(random_case(seed))
    assert plain == fast


def test_what_is_drawn_for_a_block_that_is_not_filled_at_once_is_not_lost() -> None:
    """With two heads no block is; each fill is drawn in its turn all the same."""
    tasks = A_DAY["tasks"].replace("1 min", "3 min") + "\n" + OTHERS[3]
    plain, fast = outcomes(GAUGE.format(**A_DAY | {"store": "log_heads = 2", "tasks": tasks}))
    assert plain == fast


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(16, 500))
def test_more_random_devices_come_out_the_same(seed: int) -> None:
    """Two in five of them for up to four days."""
    plain, fast = outcomes(random_case(seed, 4 if seed < 216 else 1))
    assert plain == fast


def test_most_appends_of_a_device_go_together(appended: list[int]) -> None:
    run = play(parse_scenario(GAUGE.format(**A_DAY).encode(), "day.toml"), "day.toml")
    assert sum(appended) > 0.9 * run.tasks["first"].operations["append"]
