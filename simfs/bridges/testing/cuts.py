"""Power cuts as parameters of a test: some work on a store is recorded once, and the test sees what each cut leaves.

Recording, cut points and the judge are those of the campaigns (`simfs.study.cuts.campaign`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

import pytest

from simfs.bridges.testing.after_cut import AfterCut, shown
from simfs.bridges.testing.bench import AStore
from simfs.bridges.testing.card_cuts import CardCut, recorded_on_card
from simfs.bridges.testing.setup import CardSetup, refusal, setup_of
from simfs.files import Store
from simfs.flash import NorFlash
from simfs.flash.interrupted import Profile
from simfs.store.format.errors import CorruptStore
from simfs.study.cuts.judging.judge import Judge, Rules
from simfs.study.cuts.judging.states import Chip, every_bit, every_byte, every_operation, sampled
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import History
from simfs.study.cuts.notes.recorder import record

PLACES: dict[str, Callable[[History], Iterator[CutPoint]]] = {
    "operation": every_operation,
    "byte": every_byte,
    "bit": every_bit,
}
KEYS = ("work", "before", "every", "sample", "seed", "profile")


class Recorded:
    """Recorded work, and the chip as it is before a cut in it. Cheap if the cuts come in their order."""

    def __init__(self, history: History, profile: Profile) -> None:
        self.history, self._profile = history, profile
        self._at = -1
        self._chip: Chip | None = None
        self._judge = Judge(Rules(history.datasheet, history.config, profile), history.block_count)

    def after(self, cut: CutPoint) -> AfterCut:
        """The store after the cut. The test fails if the store itself broke a promise, or if it says that it is
        damaged, which it may if the profile spoils more than what was being programmed."""
        history, operation = self.history, self.history.operations[cut.operation]
        chip = self._chip_before(cut.operation).copy()
        chip.cut(operation.change, cut, self._profile)
        first, last = history.events_in(operation.call)
        possible = tuple(history.contents_after(event) for event in range(first, last + 1))
        verdict = self._judge.verdict(chip.copy(), list(enumerate(possible, first)), cut)
        if verdict.violation is not None:
            broken = verdict.violation
            raise refusal(f"the store broke a promise after cut {cut}: {broken.promise}: {broken.what}")
        try:
            store = Store.mount(NorFlash.from_image(bytes(chip.cells), datasheet=history.datasheet))
        except CorruptStore as error:
            raise refusal(f"there is no sound store after cut {cut}, which {self._profile} allows: {error}") from None
        during = shown(history.calls, operation.call)
        return AfterCut(store, str(cut), during, possible[0], possible)

    def _chip_before(self, operation: int) -> Chip:
        history = self.history
        if self._chip is None or operation < self._at:
            self._chip, self._at = Chip.holding(history.image, history.geometry, history.erase_counts), 0
        self._chip.apply_all(one.change for one in history.operations[self._at : operation])
        self._at = operation
        return self._chip


@dataclass(frozen=True, slots=True)
class Case:
    """One parameter of a test."""

    cut: CutPoint | CardCut
    after: Callable[[], AfterCut]


def parametrize(metafunc: pytest.Metafunc) -> None:
    """Record the work of the marker `simfs_cuts`, and give the test each cut in it."""
    marker = metafunc.definition.get_closest_marker("simfs_cuts")
    if marker is None:
        raise refusal("simfs_after_cut needs the marker @pytest.mark.simfs_cuts(work=...)")
    cases = list(_cases(metafunc.definition, marker))
    metafunc.parametrize("simfs_after_cut", cases, indirect=True, ids=[str(case.cut) for case in cases])


def after_cut(request: pytest.FixtureRequest) -> AfterCut:
    """What the fixture gives."""
    case: Case = request.param
    found = case.after()
    request.node.add_report_section("setup", "power cut", f"cut {found.cut}, during {found.during}")
    return found


def _cases(definition: Any, marker: pytest.Mark) -> Iterator[Case]:
    given: dict[str, Any] = dict(marker.kwargs)
    unknown = [*map(repr, marker.args), *sorted(given.keys() - set(KEYS))]
    if unknown or not callable(given.get("work")):
        what = f"it does not know {unknown[0]}" if unknown else "it needs work, a function that is given a store"
        raise refusal(f"simfs_cuts: {what}; right would be simfs_cuts(work=save, every='operation')")
    setup = setup_of(definition)
    try:
        if isinstance(setup, CardSetup):
            on_card, card_cuts = recorded_on_card(_prepared(setup.store(), given), given, setup.seed)
            yield from (Case(cut, partial(on_card.after, cut)) for cut in card_cuts)
            return
        profile = Profile(given.get("profile", Profile.PROGRAM))
        store = _prepared(setup.store(setup.chip()), given)
        history = record(store, given["work"], definition.name)
        if not history.operations:
            raise ValueError("work changes nothing on the flash; there is nothing to cut")
        recorded = Recorded(history, profile)
        cuts = dict.fromkeys(_cuts(history, given, setup.seed))
    except ValueError as error:
        raise refusal(f"simfs_cuts: {error}") from None
    yield from (Case(cut, partial(recorded.after, cut)) for cut in cuts)


def _prepared(store: AStore, given: dict[str, Any]) -> AStore:
    """The store after what comes before the work."""
    if given.get("before") is not None:
        given["before"](store)
    if store.files_open:
        raise ValueError("before leaves a file open; close it")
    return store


def _cuts(history: History, given: dict[str, Any], seed: int) -> Iterator[CutPoint]:
    every, sample = given.get("every"), given.get("sample")
    if sample is not None:
        if every is not None or not isinstance(sample, int) or sample < 1:
            raise ValueError("give either every, or sample with a number of cuts")
        return sampled(history, sample, given.get("seed", seed))
    if every is not None and every not in PLACES:
        raise ValueError(f"every must be one of {', '.join(PLACES)}, not {every!r}")
    return PLACES[every or "operation"](history)
