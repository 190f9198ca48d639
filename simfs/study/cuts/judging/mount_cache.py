"""Remembers what mounts found on whole flashes, since a judge mounts the same bytes more than once."""

from __future__ import annotations

from simfs.flash import NorFlash
from simfs.store.format.errors import CorruptStore
from simfs.store.mounting.rebuild import replay
from simfs.store.mounting.survey import Survey, survey
from simfs.study.cuts.judging.block_cache import KnownBlocks

KEPT = 12


class KnownMounts:
    """What is on a flash follows from its bytes alone. So where all of them are the same, the first mount's findings
    count again."""

    def __init__(self, block_count: int) -> None:
        self._blocks = KnownBlocks(block_count)
        self._found: dict[object, Survey] = {}  # by the states of all blocks, the latest last

    def find(self, flash: NorFlash) -> Survey:
        """As `survey` does, with the files of the store. Costs a comparison of all bytes of the flash."""
        key = self._blocks.turn_to(flash)
        known = self._found.get(key)
        if known is not None:
            return _twin(known, flash)
        found = survey(flash, self._blocks)
        try:
            replay(found, self._blocks)
        except CorruptStore:  # whoever mounts meets that at the right moment
            return survey(flash, self._blocks)
        if len(self._found) >= KEPT:
            del self._found[next(iter(self._found))]
        self._found[key] = _twin(found, flash)
        return found

    def find_last(self, flash: NorFlash) -> Survey:
        """The same of a flash whose bytes are not mounted again: nothing of it is kept."""
        known = self._found.pop(self._blocks.turn_to(flash), None)
        return survey(flash, self._blocks) if known is None else _twin(known, flash)


def _twin(found: Survey, flash: NorFlash) -> Survey:
    return Survey(found.state.twin(flash), found.ruling, found.used, found.behind, found.is_replayed, found.look)
