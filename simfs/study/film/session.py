"""A small flash on which operations are typed. What is typed is done again from the start each time, so that going back
is leaving the last one out."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.files.contract import AnyStore
from simfs.files.store import Store
from simfs.flash import Datasheet, NorFlash, PowerCut
from simfs.replay.device.clock import START_UNSAID, parse_moment
from simfs.replay.device.device import Device
from simfs.replay.device.task_files import DeviceTask
from simfs.store.format.config import StoreConfig
from simfs.study.film.cutting import Cutting
from simfs.study.film.film import Film
from simfs.study.film.recording import Filming
from simfs.study.film.steps import Step, StepRecorder, View, view_of
from simfs.study.film.typed import Typed

TASK = "you"
LEAVES = "bits half"  # what a power cut leaves of a program; of an erase it leaves half of the bits as well


@dataclass(frozen=True, slots=True)
class Board:
    """The flash and the store's settings."""

    block_count: int
    datasheet: Datasheet
    config: StoreConfig


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of the last operation: its steps, what it read or listed, and the store as it stands then."""

    steps: tuple[Step, ...]
    found: str
    view: View


class Session:
    """What was typed so far."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.typed: list[Typed] = []
        self.saved: set[str] = set()  # files that it may write over, since it wrote them

    def do(self, typed: Typed) -> Outcome:
        """Do one operation more. OSError when the store can't even be mounted any more; it then counts as not typed."""
        outcome = self._replayed([*self.typed, typed])
        self.typed.append(typed)
        return outcome

    def back(self) -> Outcome:
        """The store without the last operation. IndexError if nothing was typed."""
        self.typed.pop()
        return self._replayed(self.typed)

    def film(self) -> Film:
        """All that was typed, as a film, cuts included."""
        return _Played(self.board, self.typed).filming.film

    def _replayed(self, typed: list[Typed]) -> Outcome:
        return _Played(self.board, typed).outcome()


class _Played:
    """Everything typed, played on a flash of its own."""

    def __init__(self, board: Board, typed: list[Typed]) -> None:
        self._cutting = Cutting()
        self._flash = NorFlash(board.block_count, datasheet=board.datasheet, faults=self._cutting)
        self._steps: list[Step] = []
        self._recorder = StepRecorder(self._take)
        self.filming = Filming()
        observers = [self._recorder, self.filming]
        store = Store.format(self._flash, board.config)
        self._device = Device(store, start_ns=parse_moment(START_UNSAID), observers=observers)
        self._files = DeviceTask(self._device, TASK)
        self._found = ""
        for one in typed:
            self._steps.clear()
            self._found = ""
            for _ in range(one.repeat):
                self._do(one)

    def outcome(self) -> Outcome:
        return Outcome(tuple(self._steps), self._found, view_of(self._device.store))

    def _take(self, step: Step, store: AnyStore) -> None:
        self._steps.append(step)

    def _do(self, one: Typed) -> None:
        if one.cut_at is not None:
            self._cutting.arm(one.cut_at - 1, LEAVES)
        try:
            self._found = self._done(one)
        except PowerCut:
            self._recorder.power_cut()
            self.filming.power_cut()
            self._flash.power_on()
            self._device.boot()
        self._cutting.disarm()  # an operation that ended before then is not cut

    def _done(self, one: Typed) -> str:
        files = self._files
        match one.operation:
            case "append":
                files.append(one.name, one.data)
            case "write":
                files.write(one.name, one.data)
            case "create":
                files.create(one.name, one.data)
            case "update":
                files.update(one.name, one.number, one.data)
            case "remove":
                files.remove(one.name)
            case "rename":
                files.rename(one.name, one.to)
            case "truncate":
                files.truncate(one.name, one.number)
            case "idle":
                self._device.wait_until(self._device.now_ns + one.number)
            case "boot":
                self._device.boot()
            case "read":
                return (files.read(one.name) or b"").decode("utf-8", "replace").rstrip("\n")
            case "list":
                return self._listed(one.name)
        return ""

    def _listed(self, prefix: str) -> str:
        store = self._device.store
        names = self._files.names(prefix)
        return "\n".join(f"{store.stat(name).size_bytes:>7,}  {name}" for name in names) or "no file"
