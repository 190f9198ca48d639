"""What a scenario will not carry over to the other kind of store."""

from __future__ import annotations

from pathlib import Path

from simfs.replay.play import play
from simfs.replay.player.player import Progress
from simfs.replay.scenario.load import load_scenario, load_table
from simfs.study.moving.findings import Moving, in_order
from simfs.study.moving.moved import KINDS, CannotMove, moved, scenario_from, with_settings
from simfs.study.moving.scenarios.broken_names import broken_names, split_files
from simfs.study.moving.scenarios.directories import directories
from simfs.study.moving.scenarios.habits import habits
from simfs.study.moving.scenarios.later import later_room
from simfs.study.moving.scenarios.new_refusals import new_refusals
from simfs.study.moving.scenarios.places import Places
from simfs.study.moving.scenarios.runs import Moved
from simfs.study.moving.trials import Trials
from simfs.study.moving.tries import measured
from simfs.study.moving.watch import Watch
from simfs.study.run.measure import figures

NOT_SEEN = (
    "A scenario says nothing of file times, of directories by themselves and of modes that no fopen has. Where the "
    "firmware runs already, record it and give the recording."
)


def check_kind(path: str, kind: str, to: str) -> None:
    """Refuse to move where nothing moves."""
    if kind not in KINDS:
        raise CannotMove(f'{path}: store.kind: its files are on a card and flash already; write "flash" or "card"')
    if kind == to:
        other = next(one for one in KINDS if one != to)
        raise CannotMove(f"{path}: store.kind: its files are on {to} already; give --to {other}")


def moving_scenario(path: str, to: str, settings: tuple[str, ...] = (), progress: Progress | None = None) -> Moving:
    """Runs the scenario as it is and on the other kind of store, and with what may help there. `BadScenario`,
    `CannotMove`, `OSError`."""
    old = load_scenario(path)
    check_kind(path, old.store.kind, to)
    table = with_settings(moved(load_table(path), to), settings)
    new = scenario_from(table, path)
    places = Places(old, Path(path).read_text(encoding="utf-8-sig").replace("\r\n", "\n"))
    before, after = Watch(places.of), Watch(places.of)
    was = play(old, path, progress, observers=[before])
    run = play(new, path, progress, observers=[after])
    trials = Trials(table, measured(run), lambda changed: play(changed, path, progress))
    it = Moved(was, run, before, after, places, trials)
    found = [*new_refusals(it), *broken_names(it), *split_files(it), *later_room(it), *habits(it), *directories(it)]
    return Moving(path, to, figures(run).subject, in_order(found), NOT_SEEN, trials.together())
