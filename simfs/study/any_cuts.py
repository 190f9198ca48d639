"""Power cuts in a run whatever its files are on: noted as suits the store, and a small campaign in a few figures that
can be compared."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.files.both.pair import both_of
from simfs.files.card_store import card_of
from simfs.files.contract import AnyStore
from simfs.replay.device.observer import Observer
from simfs.study.both_cuts.calls import BothHistory, BothRecorder
from simfs.study.both_cuts.campaign import campaign as both_campaign
from simfs.study.both_cuts.campaign import places_of as both_places
from simfs.study.card_cuts.campaign import campaign as card_campaign
from simfs.study.card_cuts.campaign import places_of
from simfs.study.card_cuts.notes import CardHistory, CardRecorder
from simfs.study.cuts.campaign import campaign
from simfs.study.cuts.judging.states import sampled
from simfs.study.cuts.notes.history import History
from simfs.study.cuts.notes.recorder import Recorder


class AnyRecorder(Observer):
    """Notes one run, on flash, on a card, or on both. On flash the recorder of flash listens by itself."""

    def __init__(self) -> None:
        self._chosen: Recorder | CardRecorder | BothRecorder = Recorder()

    def run_begins(self, store: AnyStore) -> AnyStore:
        if card_of(store) is not None:
            self._chosen = CardRecorder()
        elif both_of(store) is not None:
            self._chosen = BothRecorder()
        return self._chosen.run_begins(store)

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        self._chosen.begins(task, operation, name, at_ns)

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        self._chosen.ends(task, operation, name, at_ns, refused)

    def history(self, title: str) -> History | CardHistory | BothHistory:
        """Everything noted so far."""
        return self._chosen.history(title)


@dataclass(frozen=True, slots=True)
class CutFigures:
    """What so many cuts leave. `losing`: after as many, something that was acknowledged is not there; `lost_bytes_max`
    of it, None where nobody counted. `to_mend`: after as many, a check finds something that the device does not put
    right itself."""

    states: int
    losing: int
    to_mend: int
    lost_bytes_max: int | None

    @property
    def losing_percent(self) -> float:
        return 100 * self.losing / self.states if self.states else 0.0

    @property
    def to_mend_percent(self) -> float:
        return 100 * self.to_mend / self.states if self.states else 0.0


def cut_figures(history: History | CardHistory | BothHistory, cuts: int, seed: int = 0) -> CutFigures:
    """Cut at so many places, drawn with `seed`. On a card each sector write that is drawn is cut twice: before it, and
    within it, when the sector can't be read afterwards. On flash and card, the card is taken out there as well."""
    if isinstance(history, BothHistory):
        tallies = both_campaign(history, both_places(history, cuts, seed)[1]).tallies.values()
        return CutFigures(
            sum(tally.states for tally in tallies), sum(tally.losing for tally in tallies),
            sum(tally.to_mend for tally in tallies), max((tally.lost_bytes_max for tally in tallies), default=0),
        )  # fmt: skip
    if isinstance(history, CardHistory):
        found = card_campaign(history, places_of(history, cuts, seed))
        losing = sum(hit.losing for hit in found.hits.values())
        most = max((hit.lost_bytes_max for hit in found.hits.values()), default=0)
        return CutFigures(found.states, losing, sum(hit.to_mend for hit in found.hits.values()) + losing, most)
    if not history.operations:
        return CutFigures(0, 0, 0, 0)
    result = campaign(history, sampled(history, cuts, seed))
    losing = len(result.violations) + sum(one.states for one in result.found if one.event < 0)
    return CutFigures(result.states, losing, losing, None if losing else 0)
