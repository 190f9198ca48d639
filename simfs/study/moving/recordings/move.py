"""What a recording of a real program will not carry over to a store on flash or on a card."""

from __future__ import annotations

from typing import Any

from simfs.replay.play import make_store
from simfs.replay.player.player import Progress
from simfs.replay.scenario.load import load_table
from simfs.replay.scenario.tables import DeviceOnly
from simfs.study.moving.findings import Moving, in_order
from simfs.study.moving.moved import CannotMove, moved, store_scenario, with_settings
from simfs.study.moving.recordings.calls import told_calls
from simfs.study.moving.recordings.habits import recorded_habits
from simfs.study.moving.recordings.refused import recorded_names, recorded_refusals
from simfs.study.moving.recordings.replayed import RecordedMove, Recording
from simfs.study.moving.trials import Trials
from simfs.study.moving.tries import measured
from simfs.study.moving.watch import Watch
from simfs.study.run.measure import figures

NOT_SEEN = {
    True: "A console's log has what the firmware did through fopen: no times, and no directories by themselves.",
    False: "",
}
NO_RECORDING = (
    "it is not a recording; give a scenario (.toml), what strace -f -y -ttt -s 1048576 -x wrote, or a console's log "
    "with lines of `simfs recorder`"
)


def moving_recording(
    path: str, to: str, settings: tuple[str, ...] = (), device: str | None = None, directory: str | None = None,
    progress: Progress | None = None,
) -> Moving:  # fmt: skip
    """Replays the recording on the new store, and with what may help there. `device` is a scenario that describes the
    new store. `BadScenario`, `BadRecording`, `CannotMove`, `OSError`."""
    recording = Recording(path, directory, progress)
    if not recording.is_one():
        raise CannotMove(f"{path}: {NO_RECORDING}")
    if recording.is_console and directory:
        raise CannotMove(f"--directory: {path} has the store's own names; leave it out")
    table = with_settings(_store_table(device, to), settings)
    scenario = store_scenario(table, device or "--with")
    watch = Watch(lambda _task, _operation, name: name)
    run = recording.replayed(make_store(scenario), [watch])
    it = RecordedMove(recording, run, watch, scenario, Trials(table, measured(run), recording.on))
    found = [*recorded_refusals(it), *recorded_names(it), *told_calls(it), *recorded_habits(it)]
    return Moving(path, to, figures(run).subject, in_order(found), NOT_SEEN[recording.is_console], it.trials.together())


def _store_table(device: str | None, to: str) -> dict[str, Any]:
    """The new store as a scenario describes it, where that is of this kind; else a usual one of this kind."""
    table = load_table(device, DeviceOnly) if device else {}
    if device and table.get("store", {}).get("kind", "flash") == to:
        return {key: table[key] for key in ("chip", "card", "store", "region", "releases") if key in table}
    return {key: value for key, value in moved(table, to).items() if key in ("chip", "card", "store")}
