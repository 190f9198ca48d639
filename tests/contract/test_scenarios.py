"""The shipped scenarios on the in-memory model: the same files as on flash, and a report with what applies to it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from simfs import Store
from simfs.cli import commands
from simfs.files.contract import AnyStore
from simfs.files.model import Model
from simfs.files.store import log_of, the_log
from simfs.replay.device.device import IDLE_TASK, Device, Run
from simfs.replay.play import replay
from simfs.show.json import as_json
from simfs.show.rows.sections import sections
from simfs.show.text import as_text
from simfs.study.run.expect import judge
from simfs.study.run.measure import figures
from tests.replay.shipped import played
from tests.support import places
from tests.support.places import SCENARIOS

NEARLY_FULL = "nearly_full.toml"
ON_FLASH = [path.name for path in places.ON_FLASH]
FLASH_ALONE = ("erase", "clean", "block", "page", "flash", "life", "mount at boot", "ram for", "energy", "standby")


@pytest.fixture
def in_memory(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """Whoever formats a flash gets a model with as much room."""

    def in_its_place(_: Any, flash: Any, config: Any = None) -> Model:
        return Model(config, flash.geometry.size_bytes)

    monkeypatch.setattr(Store, "format", classmethod(in_its_place))
    return monkeypatch


def contents(store: AnyStore) -> dict[str, bytes]:
    found = {}
    for name in store.names():
        with store.open(name) as file:
            found[name] = file.readall()
    return found


def shape(run: Run) -> dict[str, Any]:
    """What a scenario does whatever it is on; a clock that ran behind a busy flash shows in texts, not in lengths."""
    return {
        "sizes": {name: run.store.stat(name).size_bytes for name in run.store.names()},
        "tasks": {
            name: (task.operations, task.refused, task.host_bytes)
            for name, task in run.tasks.items()
            if name != IDLE_TASK
        },
        "names": run.name_faults,
        "cut": run.store.meters.names_cut,
        "boots": len(run.boots),
    }


@pytest.mark.together
@pytest.mark.parametrize("name", ON_FLASH)
def test_a_shipped_scenario_does_the_same_in_memory(name: str, in_memory: pytest.MonkeyPatch) -> None:
    run = replay(SCENARIOS / name)
    in_memory.undo()
    on_flash = played(name).run
    assert isinstance(run.store, Model)
    if name == NEARLY_FULL:  # where a log, with its headers, refuses what memory takes
        assert on_flash.refusals
        assert not run.refusals
    else:
        assert shape(run) == shape(on_flash)
    assert run.store.contents() == contents(run.store)
    report = as_text(figures(run), ())
    assert "memory of the computer; store: files in memory" in report
    battery = ["Battery"] if run.battery else []
    assert [name for name, _ in sections(figures(run))] == ["Room", "Writing", *battery, "Trouble"]
    told = report.split("\n", 4)[4].lower()  # below the heading
    assert [word for word in FLASH_ALONE if word in told] == []


def test_what_does_not_apply_is_no_figure(in_memory: pytest.MonkeyPatch) -> None:
    run = replay(SCENARIOS / "settings.toml")
    taken = figures(run)
    verdicts = {verdict.name: verdict for verdict in judge(run, taken)}
    assert (verdicts["life_min"].met, verdicts["life_min"].measured) == (False, None)
    assert (verdicts["mount_max"].met, verdicts["mount_max"].measured) == (False, None)
    assert verdicts["refused_max"].met
    told = json.loads(as_json(taken, tuple(verdicts.values())))
    assert [told[figure] for figure in ("wear", "life", "stalls", "boots", "energy")] == [None] * 5
    assert told["amplification"]["total_ratio"] == 1


def test_memory_that_is_full_refuses_and_keeps_what_it_holds() -> None:
    device = Device(Model(capacity_bytes=100))

    def put(size_bytes: int) -> None:
        with device.store.open("/a", "a") as file:
            file.write(bytes(size_bytes))

    for _ in range(3):
        device.perform("task", "append", "/a", lambda: put(40), writes=True)
    run = device.finish(title="", source="", kind="scenario")
    assert [(refusal.error, refusal.count) for refusal in run.refusals] == [("ENOSPC", 1)]
    assert (run.live_bytes_max, run.store.usage().capacity_bytes) == (80, 100)
    run.store.remove("/a")
    assert run.store.file_room() == (100, 100)


def test_a_boot_loses_what_waits_and_the_meters_go_on() -> None:
    device = Device(Model())
    waiting = device.store.open("/a", "w")
    waiting.write(b"sure")
    waiting.flush()
    waiting.write(b", lost")
    device.boot()
    assert waiting.closed
    assert contents(device.store) == {"/a": b"sure"}
    assert device.store.meters.host_bytes == 10
    with pytest.raises(ValueError, match="closed file"):
        waiting.write(b"x")


def test_who_asks_for_the_log_of_another_store_is_told() -> None:
    device = Device(Model())
    assert log_of(device.store) is None
    with pytest.raises(ValueError, match="needs a store on flash, and this one is on memory"):
        the_log(device.store)
    with pytest.raises(ValueError, match="on memory"):
        _ = device.flash


SCRIPT = """
from simfs.files.model import Model
from simfs.replay.device.task_files import DeviceTask

def store():
    return Model()

def run(device):
    DeviceTask(device, "log").append("/log", b"x")
"""


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (["run"], 0, "memory of the computer"),
        (["run", "--save-image", "image"], 2, "--save-image image: this needs a store on flash, and"),
        (["fleet", "--scale-cycles", "1000", "--shape", "3"], 2, "this needs a store on flash"),
        (["cuts"], 2, "this needs a store on flash"),
    ],
)
def test_a_script_may_bring_any_store(
    arguments: list[str], status: int, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("script.py").write_text(SCRIPT)
    result = CliRunner().invoke(commands, [*arguments, "script.py"])
    assert (result.exit_code, said in result.output) == (status, True), result.output
    assert len(result.stderr.splitlines()) <= 1
