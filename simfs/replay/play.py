"""Plays a scenario or runs a script, from its file to the notes of the run."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path

from simfs.fat.card.card import Card
from simfs.fat.card.sheet import SECTOR_BYTES
from simfs.files.both.buffer import Buffer
from simfs.files.both.mirror import Mirror
from simfs.files.both.pair import both_of
from simfs.files.both.slot import Slot
from simfs.files.card_store import CardConfig, CardStore
from simfs.files.contract import AnyStore
from simfs.files.store import Store
from simfs.flash import NorFlash
from simfs.replay.batch.player import FastPlayer
from simfs.replay.device.both_notes import BothNotes
from simfs.replay.device.device import Device, Run
from simfs.replay.device.name_check import name_faults
from simfs.replay.device.notes import Going
from simfs.replay.device.observer import Observer
from simfs.replay.player.player import NEVER_NS, Player, Progress
from simfs.replay.player.telling import period_ns, telling_ns
from simfs.replay.scenario.chip_map import rewritten_regions
from simfs.replay.scenario.crosschecks import region_blocks
from simfs.replay.scenario.load import load_scenario
from simfs.replay.scenario.media.both import absences_of
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
    """A new, empty store as the scenario describes it. Here alone its kind is chosen."""
    return MAKERS[scenario.store.kind](scenario)


def _log_on_flash(scenario: Scenario) -> AnyStore:
    sheet = scenario.chip.datasheet()
    flash = NorFlash(region_blocks(scenario.chip, scenario.store), datasheet=sheet)
    return Store.format(flash, scenario.store.config())


def _volume_on_card(scenario: Scenario) -> CardStore:
    table, store = scenario.card, scenario.store
    card = Card(table.size // SECTOR_BYTES, table.sheet())
    return CardStore.format(card, CardConfig(store.name_bytes, store.overlong, store.open_files_max), table.cluster)


def _flash_and_card(scenario: Scenario) -> AnyStore:
    table = scenario.both
    assert table is not None  # `crosschecks` has seen it
    config = replace(scenario.store.config(), fold_case=True)  # as the card does
    flash = Store.format(
        NorFlash(region_blocks(scenario.chip, scenario.store), datasheet=scenario.chip.datasheet()), config
    )
    card = _volume_on_card(scenario)
    sheet = card.card.sheet
    slot = Slot(card.card, absences_of(scenario.card_out, scenario.run.start), sheet.write_typ_ns + sheet.wire_ns)
    if table.role == "mirror":
        return Mirror(flash, card, slot)
    return Buffer(flash, card, slot, table.drained or ())


MAKERS: dict[str, Callable[[Scenario], AnyStore]] = {
    "flash": _log_on_flash,
    "card": _volume_on_card,
    "both": _flash_and_card,
}


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
    notes = None if both_of(store) is None else BothNotes()
    device = Device(store, start_ns=scenario.run.start, observers=[*([notes] if notes else []), *observers])
    (Player if one_by_one else FastPlayer)(scenario, device).play(progress)
    run = _finished(device, scenario, source, scenario.run.duration)
    if notes is not None:
        run.sides, run.go_on = notes.runs(run), None
    return run


def _finished(device: Device, scenario: Scenario, source: str, asked_ns: int) -> Run:
    run = device.finish(
        title=scenario.title or Path(source).stem,
        source=source,
        kind="scenario",
        name_faults=name_faults(device.names_used, device.store.name_rules),
        expect=scenario.expect.table(),
    )
    run.asked_ns, run.region_start_bytes = asked_ns, scenario.store.start
    run.rewritten = rewritten_regions(scenario)
    run.battery = scenario.battery.battery() if scenario.battery else None
    run.go_on, run.telling_ns = partial(_go_on, scenario, source), telling_ns(scenario)
    run.period_ns = period_ns(scenario)
    return run


class _Enough(Exception):
    """The run is as long as it has to be."""


class _EndlessPlayer(FastPlayer):
    """Goes on beyond the end of the scenario's run, and asks now and then whether it is enough."""

    def __init__(self, scenario: Scenario, device: Device, enough: Callable[[Going], bool]) -> None:
        super().__init__(scenario, device)
        self._enough = enough
        self.pause_ns, self.end_ns = self.end_ns, NEVER_NS

    def pause(self) -> None:
        self.device.wait_until(self.pause_ns)
        if self._enough(self.device):
            raise _Enough
        self.pause_ns += (self.pause_ns - self.device.start_ns) // 8 + 1


def _go_on(scenario: Scenario, source: str, enough: Callable[[Going], bool]) -> Run:
    """The scenario's run, and on until it is enough. See `GoOn`."""
    device = Device(make_store(scenario), start_ns=scenario.run.start)
    with suppress(_Enough):
        _EndlessPlayer(scenario, device, enough).play(None)
    return _finished(device, scenario, source, 0)
