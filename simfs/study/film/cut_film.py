"""A power cut of a campaign as a film: the calls before it, the operation in which the power goes, and the mounts that
follow."""

from __future__ import annotations

from simfs.files.heard import FileCall
from simfs.files.store import Store, the_log
from simfs.flash import Geometry, NorFlash, PowerCut
from simfs.flash.datasheet import Datasheet
from simfs.flash.faults import FaultHooks
from simfs.flash.interrupted import Profile, left_by
from simfs.flash.trace import Change
from simfs.replay.device.clock import START_UNSAID, parse_moment
from simfs.replay.device.device import Device
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.hands import Hands
from simfs.study.cuts.notes.history import History
from simfs.study.film.film import Film
from simfs.study.film.recording import Filming

TASK = "run"
CALLS_BEFORE = 300  # that the film begins before the one that is cut


def film_of_cut(history: History, cut: CutPoint, profile: Profile) -> Film:
    """The last calls before the cut, the cut, and the mount after it; where the cut point has a cut in that mount as
    well, that one and the next mount. Makes the run's calls anew up to the cut. ValueError when the run has no such
    flash operation."""
    if cut.operation >= len(history.operations):
        raise ValueError(f"{cut}: the run has {len(history.operations)} flash operations, the first is 0")
    call = history.operations[cut.operation].call
    if call == 0 and history.calls[0].kind == "mount":
        raise ValueError(f"{cut}: it lies in the mount with which the run begins; a film shows what comes after it")
    flash = NorFlash.from_image(history.image, datasheet=history.datasheet, faults=_Cutting(cut, profile))
    first, filming, again = max(0, call - CALLS_BEFORE), Filming(), _Again(flash)
    again.make(history.calls[:first])
    again.device.observe(filming)
    try:
        again.make(history.calls[first:])
    except PowerCut:
        filming.power_cut()
    again.mount(filming)
    return filming.film


class _Again:
    """Makes the calls of a run on a device."""

    def __init__(self, flash: NorFlash) -> None:
        self.device = Device(Store.mount(flash), start_ns=parse_moment(START_UNSAID))
        self._flash = flash
        self._hands = Hands()
        self._names: dict[int, str] = {}  # of open files

    def make(self, calls: tuple[FileCall, ...]) -> None:
        for call in calls:
            if call.kind == "open":
                self._names[call.handle] = call.name
            if call.kind != "mount":
                self._make(call)
            elif self.device.now_ns > self.device.start_ns:  # a recording begins with one
                self._hands.files.clear()
                self.device.boot()

    def _make(self, call: FileCall) -> None:
        name, device = call.name or self._names.get(call.handle, ""), self.device
        device.perform(TASK, call.kind, name, lambda: self._hands.make(the_log(device.store), call), writes=True)

    def mount(self, filming: Filming) -> None:
        """Until it is done: the power may go in it as well."""
        while True:
            self._flash.power_on()
            try:
                self.device.boot()
            except PowerCut:
                filming.power_cut()
            else:
                return


class _Cutting(FaultHooks):
    """Cuts the power where a cut point says, and then in the mounts after it."""

    def __init__(self, cut: CutPoint, profile: Profile) -> None:
        self._cut: CutPoint | None = cut
        self._profile = profile
        self._changes = 0  # since the run began, or the last cut

    def attach(self, geometry: Geometry, datasheet: Datasheet) -> None:
        self._geometry = geometry

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        self._before(cells, Change(address, data))

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        self._before(cells, Change(address, None))

    def _before(self, cells: memoryview, change: Change) -> None:
        cut, self._changes = self._cut, self._changes + 1
        if cut is None or self._changes <= cut.operation:
            return
        self._cut, self._changes = cut.then, 0
        start, left = left_by(change, cells, cut.leaves, cut.seed, self._profile, self._geometry)
        cells[start : start + len(left)] = left
        raise PowerCut
