"""Plays a scenario or runs a script, from its file to the notes of the run."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from simfs.files.contract import AnyStore
from simfs.files.store import Store
from simfs.flash import NorFlash
from simfs.replay.batch.player import FastPlayer
from simfs.replay.device.device import Device, Run
from simfs.replay.device.name_check import name_faults
from simfs.replay.device.observer import Observer
from simfs.replay.player.player import Player, Progress
from simfs.replay.scenario.crosschecks import region_blocks
from simfs.replay.scenario.load import load_scenario
from simfs.replay.scenario.tables import Scenario


def replay(
    path: str | Path, progress: Progress | None = None, *, observers: Sequence[Observer] = (), plain: bool = False
) -> Run:
    """Play the scenario in a .toml file, or run the one in a .py file; `observers` and `plain` as in `play`.

    `BadScenario` has everything that is wrong with the file; `OSError` where it can't be read.
    """
    if Path(path).suffix == ".py":
        from simfs.replay.script import run_script

        return run_script(path, observers)
    return play(load_scenario(path), str(path), progress, observers=observers, plain=plain)


def make_store(scenario: Scenario) -> AnyStore:
    """A new, empty store as the scenario describes it."""
    sheet = scenario.chip.datasheet()
    flash = NorFlash(region_blocks(scenario.chip, scenario.store), datasheet=sheet)
    return Store.format(flash, scenario.store.config())


def play(
    scenario: Scenario,
    source: str,
    progress: Progress | None = None,
    *,
    observers: Sequence[Observer] = (),
    plain: bool = False,
) -> Run:
    """Play a scenario to its end; `source` names it in the report.

    `observers` are called for all that happens. `plain` does one operation after the other, and so does a run that is
    observed; otherwise operations that are alike are done together, which gives the same flash and notes sooner.
    """
    one_by_one = plain or bool(observers)
    store = make_store(scenario)
    device = Device(store, start_ns=scenario.run.start, observers=observers)
    (Player if one_by_one else FastPlayer)(scenario, device).play(progress)
    return device.finish(
        title=scenario.title or Path(source).stem,
        source=source,
        kind="scenario",
        name_faults=name_faults(device.names_used, device.store.name_rules),
        expect=scenario.expect.table(),
        asked_ns=scenario.run.duration,
        region_start_bytes=scenario.store.start,
    )
