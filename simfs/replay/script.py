"""A scenario as a Python script, for logic that a table can't say. It is run as the program it is: trust it first.

The script says:

    def store():                      # required: a Store, freshly formatted
        return Store.format(NorFlash.part("W25Q32JV", block_count=64), StoreConfig())

    def run(device):                  # required: what the device does
        log = DeviceTask(device, "log")
        log.append("/log.txt", b"started")
        device.wait_until(device.now_ns + parse_duration("10 min"))

    title = "one line for the report"
    start = "2031-04-05"              # the device's clock at the start
    expect = {"refused_max": 0}       # as the table [expect] of a scenario

with `NorFlash`, `Store` and `StoreConfig` from `simfs`, `DeviceTask` from `simfs.replay.device.task_files`.
"""

from __future__ import annotations

import runpy
import traceback
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from simfs.files.contract import AnyStore
from simfs.flash import PowerCut
from simfs.replay.device.clock import START_UNSAID, parse_moment
from simfs.replay.device.device import Device, Run
from simfs.replay.device.name_check import name_faults
from simfs.replay.device.observer import Observer
from simfs.replay.scenario.input_faults import BadScenario, Fault
from simfs.replay.scenario.load import check_expectations


def run_script(path: str | Path, observers: Iterable[Observer] = ()) -> Run:
    """Run a scenario script. `BadScenario` names the line where it failed; `OSError` where it can't be read."""
    source = str(path)
    Path(path).read_bytes()  # an unreadable file is an OSError of its own, not the script's
    script = _guarded(source, lambda: runpy.run_path(source, run_name="scenario"))
    faults = [Fault(source, 1, name, f"it is missing; write def {name}(...)") for name in _missing(script)]
    if faults:
        raise BadScenario(faults)
    expect = check_expectations(script.get("expect", {}), source)
    start_ns = _guarded(source, lambda: parse_moment(script.get("start", START_UNSAID)))
    store = _guarded(source, script["store"])
    if not isinstance(store, AnyStore):
        raise BadScenario([Fault(source, 1, "store", f"it gave {store!r:.60}; return Store.format(flash, config)")])
    device = Device(store, start_ns=start_ns, observers=observers)
    _guarded(source, lambda: script["run"](device))
    return device.finish(
        title=str(script.get("title", Path(source).stem)),
        source=source,
        kind="script",
        name_faults=name_faults(device.names_used, store.name_rules),
        expect=expect,
    )


def _missing(script: dict[str, Any]) -> list[str]:
    return [name for name in ("store", "run") if not callable(script.get(name))]


def _guarded(source: str, action: Any) -> Any:
    """What `action` gives; what it raises becomes one fault at the script's line."""
    try:
        return action()
    except SyntaxError as error:
        raise BadScenario([Fault(source, error.lineno or 1, "syntax", f"{error.msg}; write Python")]) from None
    except (Exception, SystemExit, PowerCut) as error:
        lines = [frame.lineno for frame in traceback.extract_tb(error.__traceback__) if frame.filename == source]
        said = " ".join([f"{type(error).__name__}:", *str(error).split()]).removesuffix(":")
        raise BadScenario([Fault(source, (lines or [1])[-1] or 1, "the script", f"{said}; {_right(error)}")]) from None


def _right(error: BaseException) -> str:
    if isinstance(error, PowerCut):
        return "catch it, switch the power on (device.flash.power_on()) and boot (device.boot())"
    if isinstance(error, SystemExit):
        return "to end early, return from run"
    return "right would be a script that runs through"
