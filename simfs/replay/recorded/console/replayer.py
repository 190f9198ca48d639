"""Does to the store what the lines of a console log say."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import ClassVar

from simfs.files.modes import MODES
from simfs.replay.device.clock import NS_PER_MS
from simfs.replay.device.device import Device
from simfs.replay.recorded.console.lines import Record, name_text
from simfs.replay.recorded.console.order import BOOT, Gap
from simfs.replay.recorded.faults import Unreadable
from simfs.replay.recorded.open_file import OpenFile
from simfs.replay.recorded.skipped import SkippedLedger
from simfs.replay.recorded.store import RecordedStore

TASK = "firmware"
TIMES = 1 << 32  # the firmware's clock runs over there

_NUMBER = r" ([0-9]{1,10})"
_NAME = r" ([!-?A-~]+)"


class FirmwareClock:
    """Device time from a clock of 32 bits of ms, which may begin anew at a boot or go on."""

    def __init__(self) -> None:
        self._last_ms: int | None = None
        self.now_ns = 0

    def begin(self) -> None:
        """A log begins: its first line says what the firmware's clock shows now."""
        self._last_ms = None

    def show(self, time_ms: int, boots: bool) -> None:
        """Take over what the firmware's clock shows. Time never goes back: if the clock was set back, it goes on from
        there."""
        step_ms = time_ms - (time_ms if self._last_ms is None else self._last_ms)
        if step_ms < -(TIMES >> 1):
            step_ms += TIMES
        elif step_ms < 0:
            step_ms = time_ms if boots else 0
        self._last_ms = time_ms
        self.now_ns += step_ms * NS_PER_MS


class FirmwareStore(RecordedStore):
    """A store with the times of a firmware; it may be reset, and a name may be a file's and the beginning of others."""

    unknown: ClassVar[str] = "no line that was read created it"

    def __init__(self, device: Device, skipped: SkippedLedger) -> None:
        super().__init__(device, skipped)
        self.clock = FirmwareClock()
        self.task = TASK

    def due_ns(self) -> int:
        return self.device.start_ns + self.clock.now_ns

    def boot(self) -> None:
        """No file is open any more; what waited to be written is lost, as in a device that is reset."""
        self.device.wait_until(self.due_ns())
        self.device.boot()
        self._open.clear()

    def _is_directory(self, name: str, flags: set[str]) -> bool:
        return False


class ConsoleReplayer:
    """Replays the lines of one log on a device, one after the other."""

    def __init__(self, device: Device, skipped: SkippedLedger) -> None:
        self.store = FirmwareStore(device, skipped)
        self._skipped = skipped
        self._files: dict[int, OpenFile] = {}

    def apply(self, record: Record | Gap) -> None:
        """Replay one line. If it can't be replayed that is noted, and raised only if the log is read strictly."""
        self.store.line = record.line
        if isinstance(record, Gap):
            return self._miss(record)
        try:
            shape, replay = OPERATIONS.get(record.operation, (None, None))
            match = shape and shape.fullmatch(record.arguments)
            if match is None or replay is None:
                raise Unreadable("its checksum fits, but recorder.h prints no such line")
            replay(self, match)
        except Unreadable as error:
            text = f"{record.number} {record.time_ms} {record.operation}{record.arguments[:60]}"
            self._skipped.unreadable(record.line, text, str(error))
        return None

    def finish(self) -> None:
        """Close what is still open."""
        self._files.clear()
        self.store.finish()

    def _miss(self, gap: Gap) -> None:
        self._skipped.lost(gap.line, tells(gap), "whole, the numbers of the lines follow each other")
        for name in sorted({file.name for file in self._files.values()}):
            self.store.skip(f"{name}: it was open where lines are lost, so what it holds from there on is not sure")
        if gap.restarts:
            self._files.clear()
            self.store.boot()

    # --- operations --------------------------------------------------------------------------------------------------

    def boot(self, match: re.Match[str]) -> None:
        self._files.clear()
        self.store.boot()

    def open(self, match: re.Match[str]) -> None:
        number, mode = int(match[1]), MODES.get(match[2])
        if mode is None:
            raise Unreadable(f"{match[2]!r} is not a mode of fopen")
        name = name_text(match[3])
        if number in self._files:
            self.store.skip(f"open of {name}: file number {number} is still open, so it is closed first")
            self.store.close(self._files.pop(number))
        flags = {"O_RDWR" if mode.reads and mode.writes else "O_WRONLY" if mode.writes else "O_RDONLY"}
        asked = {"O_CREAT": mode.creates, "O_TRUNC": mode.truncates, "O_EXCL": mode.exclusive, "O_APPEND": mode.appends}
        self._files[number] = self.store.open(name, flags | {flag for flag, is_asked in asked.items() if is_asked})

    def write(self, file: OpenFile, match: re.Match[str]) -> None:
        length, digits = int(match[2]), match[3]
        if digits is None and length:
            self.store.skip(f"write on {file.name}: its line has no contents; as many zeros are written")
            self.store.write(file, b"", length, None)
        elif len(digits or "") != 2 * length:
            raise Unreadable("it has more or fewer bytes than it says")
        else:
            self.store.write(file, bytes.fromhex(digits or ""), 0, None)

    def read(self, file: OpenFile, match: re.Match[str]) -> None:
        length = int(match[2])
        self.store.read(file, length, length, b"", None)

    def seek(self, file: OpenFile, match: re.Match[str]) -> None:
        file.position = int(match[2])

    def truncate(self, file: OpenFile, match: re.Match[str]) -> None:
        self.store.truncate(file, int(match[2]))

    def flush(self, file: OpenFile, match: re.Match[str]) -> None:
        self.store.flush(file)

    def close(self, file: OpenFile, match: re.Match[str]) -> None:
        del self._files[int(match[1])]
        self.store.close(file)

    def remove(self, match: re.Match[str]) -> None:
        self.store.remove(name_text(match[1]))

    def rename(self, match: re.Match[str]) -> None:
        self.store.rename(name_text(match[1]), name_text(match[2]))

    def file_of(self, operation: str, match: re.Match[str]) -> OpenFile | None:
        """The open file that a line's number means."""
        file = self._files.get(int(match[1]))
        if file is None:
            self.store.skip(f"{operation} on file number {match[1]}: the log does not show its opening")
        return file


def tells(gap: Gap) -> str:
    """What is lost."""
    if gap.last < gap.first:
        return "a boot is lost before this line"
    numbers = f"number {gap.first}" if gap.last == gap.first else f"numbers {gap.first} to {gap.last}"
    return f"lines are lost before this one: {numbers}" + (", with a boot among them" if gap.restarts else "")


Operation = Callable[[ConsoleReplayer, re.Match[str]], None]


def _on_file(operation: str, action: Callable[[ConsoleReplayer, OpenFile, re.Match[str]], None]) -> Operation:
    def replay(replayer: ConsoleReplayer, match: re.Match[str]) -> None:
        file = replayer.file_of(operation, match)
        if file is not None:
            action(replayer, file, match)

    return replay


OPERATIONS: dict[str, tuple[re.Pattern[str], Operation]] = {
    BOOT: (re.compile(""), ConsoleReplayer.boot),
    "open": (re.compile(rf"{_NUMBER} ([a-z+]+){_NAME}"), ConsoleReplayer.open),
    "write": (re.compile(rf"{_NUMBER}{_NUMBER}(?: ([0-9a-f]+))?"), _on_file("write", ConsoleReplayer.write)),
    "read": (re.compile(rf"{_NUMBER}{_NUMBER}"), _on_file("read", ConsoleReplayer.read)),
    "seek": (re.compile(rf"{_NUMBER}{_NUMBER}"), _on_file("seek", ConsoleReplayer.seek)),
    "truncate": (re.compile(rf"{_NUMBER}{_NUMBER}"), _on_file("truncate", ConsoleReplayer.truncate)),
    "flush": (re.compile(_NUMBER), _on_file("flush", ConsoleReplayer.flush)),
    "close": (re.compile(_NUMBER), _on_file("close", ConsoleReplayer.close)),
    "remove": (re.compile(_NAME), ConsoleReplayer.remove),
    "rename": (re.compile(rf"{_NAME}{_NAME}"), ConsoleReplayer.rename),
}
