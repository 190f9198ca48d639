"""A scenario, or the store of a recording, on the other kind of store: tables as in TOML, which can be changed."""

from __future__ import annotations

from collections.abc import Iterable
from copy import deepcopy
from typing import Any

from simfs.replay.scenario.load import Findings, scenario_of
from simfs.replay.scenario.overrides import with_setting, with_written
from simfs.replay.scenario.tables import DeviceOnly, Scenario
from simfs.replay.scenario.toml_lines import Path, spell

KINDS = ("flash", "card")
OF_THE_DRIVER = ("name_bytes", "overlong", "open_files_max")
NAME_BYTES_ON_CARD = 256  # near the 260 of a path on FAT, and the most that a scenario may say
USUAL_CHIP = {"part": "generic"}


class CannotMove(ValueError):
    """A move that can't be tried; `faults` has a line for each reason."""

    def __init__(self, *faults: str) -> None:
        self.faults = faults
        super().__init__("\n".join(faults))


def moved(table: dict[str, Any], to: str) -> dict[str, Any]:
    """The table with its store on the other kind. What it says of names and open files is of the old store's driver, so
    the new one has what it has by itself; a move to flash without a chip gets the generic one."""
    found = deepcopy(table)
    store = {key: value for key, value in found.get("store", {}).items() if key not in OF_THE_DRIVER}
    store["kind"] = to
    if to == "card":
        store = {"kind": to, "name_bytes": NAME_BYTES_ON_CARD}
        found.pop("region", None)
        found.pop("releases", None)
    elif "chip" not in found:
        found["chip"] = dict(USUAL_CHIP)
    if "region" in found:
        store = {key: value for key, value in store.items() if key not in ("start", "size")}
    found["store"] = store
    found.pop("expect", None)
    return found


def with_settings(table: dict[str, Any], settings: Iterable[str]) -> dict[str, Any]:
    """The table with settings such as `store.name_bytes=32; store.size=1MiB`. `CannotMove` has what is wrong."""
    faults = []
    for setting in (one for text in settings for one in text.split(";")):
        try:
            table = with_written(table, setting)
        except ValueError as error:
            faults.append(f"--with {setting.strip()}: {error}")
    if faults:
        raise CannotMove(*faults)
    return table


def scenario_from(table: dict[str, Any], what: str, kind: type[Scenario] = Scenario) -> Scenario:
    """The scenario of a table. `CannotMove` has what is wrong with it; `what` says where the table comes from."""
    scenario = scenario_of(table, kind)
    if isinstance(scenario, Findings):
        raise CannotMove(*(f"{what}: {spell(path)}: {fault}" for path, fault in scenario.within + scenario.between))
    return scenario


def store_scenario(table: dict[str, Any], what: str) -> Scenario:
    """A table of which only the store counts. See `scenario_from`."""
    return scenario_from(table, what, DeviceOnly)


def changed(table: dict[str, Any], changes: Iterable[tuple[Path, Any]]) -> Scenario | None:
    """The scenario with other values; None where it can't be then."""
    for path, value in changes:
        table = with_setting(table, path, value)
    kind = Scenario if "task" in table else DeviceOnly
    scenario = scenario_of(table, kind)
    return None if isinstance(scenario, Findings) else scenario
