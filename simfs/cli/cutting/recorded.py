"""A run that is to be cut, replayed once and noted, whatever its files are on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from simfs.cli.cutting.on_both import OnBoth
from simfs.cli.cutting.on_card import OnCard
from simfs.cli.exits import Refused
from simfs.cli.inputs import replay_source

if TYPE_CHECKING:
    from simfs.study.cuts.notes.history import History


def recorded(file: str, options: dict[str, Any]) -> History | OnCard | OnBoth:
    """The run; Refused where a card gets no write."""
    from simfs.study.any_cuts import AnyRecorder
    from simfs.study.both_cuts.calls import BothHistory
    from simfs.study.card_cuts.notes import CardHistory

    recorder = AnyRecorder()
    run = replay_source(file, options, [recorder])
    history = recorder.history(run.title)
    if isinstance(history, BothHistory):
        return OnBoth(history, run.store)
    if not isinstance(history, CardHistory):
        return history
    if not history.writes:
        raise Refused(f"{file}: it writes nothing to the card, so there is nothing to cut; write files in it")
    return OnCard(history, run.store)
