"""Films a run as it goes."""

from __future__ import annotations

from simfs.files.contract import AnyStore
from simfs.study.film.film import Film, FilmMaker
from simfs.study.film.steps import Step, StepRecorder


class Filming(StepRecorder):
    """Follows a run whose store is on flash, and has its `film`."""

    def __init__(self) -> None:
        super().__init__(self._take)
        self._maker: FilmMaker

    @property
    def film(self) -> Film:
        return self._maker.film

    def run_begins(self, store: AnyStore) -> AnyStore:
        """Look at the store before anything is done. NoLog if it is not on flash."""
        followed = super().run_begins(store)
        self._maker = FilmMaker(followed)
        return followed

    def _take(self, step: Step, store: AnyStore) -> None:
        self._maker.take(step, store)
