"""A power cut of a campaign as a film: the calls before it, the operation in which the power goes, and the mounts that
follow."""

from __future__ import annotations

from simfs.files.heard import FileCall
from simfs.files.store import Store, the_log
from simfs.flash import NorFlash, PowerCut
from simfs.flash.interrupted import Profile
from simfs.replay.device.clock import START_UNSAID, parse_moment
from simfs.replay.device.device import Device
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.hands import Hands
from simfs.study.cuts.notes.history import History
from simfs.study.film.cutting import Cutting
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
    cutting = Cutting(profile)
    cutting.arm(cut.operation, cut.leaves, cut.seed)
    flash = NorFlash.from_image(history.image, datasheet=history.datasheet, faults=cutting)
    first, filming, again = max(0, call - CALLS_BEFORE), Filming(), _Again(flash)
    again.make(history.calls[:first])
    again.device.observe(filming)
    try:
        again.make(history.calls[first:])
    except PowerCut:
        filming.power_cut()
    while cut.then is not None:  # the power goes in the mount as well
        cut = cut.then
        cutting.arm(cut.operation, cut.leaves, cut.seed)
        try:
            again.mount()
        except PowerCut:
            filming.power_cut()
        else:
            return filming.film  # it has fewer programs and erases
    again.mount()
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

    def mount(self) -> None:
        self._flash.power_on()
        self.device.boot()
