"""Power cuts in a run whatever its files are on: noted as suits the store, and a small campaign in a few figures that
can be compared."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.files.contract import AnyStore
from simfs.replay.device.observer import Observer
from simfs.study.card_cuts.campaign import campaign as card_campaign
from simfs.study.card_cuts.campaign import places_of
from simfs.study.card_cuts.notes import CardHistory, CardRecorder
from simfs.study.cuts.campaign import campaign
from simfs.study.cuts.judging.states import sampled
from simfs.study.cuts.notes.history import History
from simfs.study.cuts.notes.recorder import Recorder


class AnyRecorder(Observer):
    """Notes one run, on flash or on a card. On flash the recorder of flash listens by itself."""

    def __init__(self) -> None:
        self._of_flash, self._of_card = Recorder(), CardRecorder()
        self.on_card = False

    def run_begins(self, store: AnyStore) -> AnyStore:
        self.on_card = store.medium.kind == "card"
        return (self._of_card if self.on_card else self._of_flash).run_begins(store)

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        self._of_card.begins(task, operation, name, at_ns)

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        self._of_card.ends(task, operation, name, at_ns, refused)

    def history(self, title: str) -> History | CardHistory:
        """Everything noted so far."""
        return self._of_card.history(title) if self.on_card else self._of_flash.history(title)


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


def cut_figures(history: History | CardHistory, cuts: int, seed: int = 0) -> CutFigures:
    """Cut at so many places, drawn with `seed`. On a card each sector write that is drawn is cut twice: before it, and
    within it, when the sector can't be read afterwards."""
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
