"""Where the power goes in a film: in a change that is told beforehand, counted from there."""

from __future__ import annotations

from simfs.flash import Geometry, PowerCut
from simfs.flash.datasheet import Datasheet
from simfs.flash.faults import FaultHooks
from simfs.flash.interrupted import Profile, left_by
from simfs.flash.trace import Change


class Cutting(FaultHooks):
    """Cuts the power once each time that it is armed."""

    def __init__(self, profile: Profile = Profile.PROGRAM) -> None:
        self._profile = profile
        self._armed: tuple[str, int] | None = None  # what the change leaves, and the seed for what that does not fix
        self._changes = 0  # until then

    def arm(self, changes: int, leaves: str, seed: int = 0) -> None:
        """Cut the next program or erase but so many."""
        self._armed, self._changes = (leaves, seed), changes

    def disarm(self) -> None:
        """Cut nothing."""
        self._armed = None

    def attach(self, geometry: Geometry, datasheet: Datasheet) -> None:
        self._geometry = geometry

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self._before(cells, Change(address, data))

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self._before(cells, Change(address, None))

    def _before(self, cells: memoryview, change: Change) -> None:
        if self._armed is None:
            return
        self._changes -= 1
        if self._changes >= 0:
            return
        leaves, seed = self._armed
        self._armed = None
        start, left = left_by(change, cells, leaves, seed, self._profile, self._geometry)
        cells[start : start + len(left)] = left
        raise PowerCut
