"""A supply that fails: it cuts the power in the change that it is told, and the bits that all cuts so far have left
half done read otherwise at each power-on. Blocks that are worn out fail for ever."""

from __future__ import annotations

from typing import Any

from simfs.flash.faults import FaultHooks, FlashError, PowerCut
from simfs.flash.interrupted import Piece, Profile, left_by, weakened
from simfs.flash.rng import Rng
from simfs.flash.trace import Change
from simfs.flash.weak import read_anew, still_weak
from simfs.study.cuts.judging.states import any_leaves
from simfs.study.cuts.lives.session import NEVER


class Supply(FaultHooks):
    """What a cut leaves and how weak bits read is drawn from the seed of the session and the address alone, so that a
    session does the same whatever was left out before it. `failing` names the operations that fail from a change on:
    {("erase", block): change}."""

    def __init__(self, profile: Profile, failing: dict[tuple[str, int], int] | None = None, weak: bool = True) -> None:
        self.profile, self.failing, self._leaves_weak = profile, failing or {}, weak
        self.weak: list[Piece] = []
        self.changes = self.errors = 0
        self.begin(0, NEVER)

    def attach(self, geometry: Any, datasheet: Any) -> None:
        self._geometry = geometry

    def begin(self, seed: int, cut_after: int) -> None:
        """A new session: the power is cut in the change after so many."""
        self._seed = seed
        self._cut_at = self.changes + cut_after

    def read_otherwise(self) -> None:
        """At the next power-on of this session weak bits read otherwise."""
        self._seed += 1 << 32

    def power_on(self, cells: memoryview) -> None:
        for piece in self.weak:
            read_anew([piece], cells, Rng(self._seed, "weak", piece.address))

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self._before("program", cells, Change(address, data))

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self._before("erase", cells, Change(address, None))

    def after_program(self, cells: memoryview, address: int, data: bytes) -> None:
        if self.weak:
            self.weak = still_weak(self.weak, Change(address, data), self._geometry)

    def after_erase(self, cells: memoryview, address: int, length: int) -> int:
        if self.weak:
            self.weak = still_weak(self.weak, Change(address, None), self._geometry)
        return 0

    def _before(self, kind: str, cells: memoryview, change: Change) -> None:
        number = self.changes
        self.changes += 1
        if number >= self._cut_at:
            self._interrupt(cells, change, self.profile)
            raise PowerCut
        if self.failing and number >= self.failing.get((kind, change.address // self._geometry.block_bytes), NEVER):
            self.errors += 1
            self._interrupt(cells, change, Profile.PROGRAM)
            raise FlashError(kind, change.address)

    def _interrupt(self, cells: memoryview, change: Change, profile: Profile) -> None:
        rng = Rng(self._seed, "left", change.address)
        leaves = any_leaves(change, self._geometry, rng)
        if self._leaves_weak:
            self.weak.append(weakened(change, cells, profile, self._geometry))
        address, left = left_by(change, cells, leaves, rng.below(1 << 32), profile, self._geometry)
        cells[address : address + len(left)] = left
