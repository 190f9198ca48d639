"""What a terminal shows while a command works: what it does, how far it is and how long that will take.

The rooms below get a function to call now and then, which only notes two numbers. A thread draws them a few times a
second, so a bar moves and its clock goes on however seldom that is, and drawing costs the work nothing to speak of.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from threading import Event, Thread

Progress = Callable[[int, int], None]
"""Called with how much is done, and how much there is in all."""

DELAY_S = 1.0  # a command that is done by then shows nothing
DRAWN_EVERY_S = 0.25
TRUSTED_S = 2.0  # how long a piece of work has to run before its pace tells how long it will take
LONG_S = 60.0  # what takes longer is said on a line of its own, which stays
NAME_SIGNS = 24
COLUMNS = 80  # of a terminal that does not say

_started_s = time.monotonic()  # about when the program did


@contextmanager
def progress_bar(what: str, *, perhaps: str = "") -> Iterator[Progress | None]:
    """A bar for a piece of work, such as "replaying gauge.toml". It vanishes at the end, and only a terminal gets one.

    `perhaps` follows the time that is foretold, where that may be wrong.
    """
    if not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm  # here, so that no process is forked while the thread loads it

    bar = _Bar(what, perhaps, tqdm.format_meter)
    drawing = Thread(target=bar.draw, daemon=True)
    drawing.start()
    try:
        yield bar.tell
    finally:
        bar.ended.set()
        drawing.join()


class _Bar:
    """Draws a line anew until `ended` is set, then takes it away."""

    def __init__(self, what: str, perhaps: str, format_meter: Callable[..., str]) -> None:
        self.ended = Event()
        self._what, self._perhaps, self._format_meter = what, perhaps, format_meter
        self._told = (0, 0)
        self._began_s = time.monotonic()
        self._warned = False

    def tell(self, done: int, whole: int) -> None:
        """Note how far the work is."""
        self._told = (done, whole)

    def draw(self) -> None:
        if self.ended.wait(max(_started_s + DELAY_S - time.monotonic(), 0)):
            return
        shown = ""
        while not self.ended.is_set():
            shown = self._drawn(shown)
            self.ended.wait(DRAWN_EVERY_S)
        if shown:
            _write("", len(shown))

    def _drawn(self, shown: str) -> str:
        """Replace the line that is shown; returns the new one."""
        done, whole = self._told
        done = min(done, whole)
        taken_s = time.monotonic() - self._began_s
        if warning := self._foretold(done, whole, taken_s):
            _write(warning + "\n", len(shown))
            shown = ""
        line = self._format_meter(
            done, whole, taken_s, ncols=_columns() - 1, prefix=self._what, bar_format=_shape(done, whole),
            ascii=not sys.stderr.encoding.lower().startswith("utf"),
        )  # fmt: skip
        if line != shown:
            _write(line, len(shown))
        return line

    def _foretold(self, done: int, whole: int, taken_s: float) -> str:
        """Said once, as soon as the pace of the work tells that it takes long."""
        if self._warned or not done or taken_s < TRUSTED_S or taken_s * whole / done <= LONG_S:
            return ""
        self._warned = True
        return f"simfs: {self._what} will take about {about(taken_s * whole / done)}{self._perhaps}; Ctrl-C stops it"


def _write(text: str, over: int) -> None:
    """Write a line over one of so many signs. It goes past Python's own buffer and its lock, which a process that is
    forked meanwhile would find locked for ever."""
    line = f"\r{' ' * over}\r{text}".encode(sys.stderr.encoding, "backslashreplace")
    with suppress(OSError):  # the terminal is gone
        os.write(sys.stderr.fileno(), line)


def shown(path: str) -> str:
    """A file's name, short enough to leave room for a bar."""
    from simfs.show.units import plain

    return plain(os.path.basename(path), NAME_SIGNS)


def about(seconds: float) -> str:
    """A time of more than a minute, as roughly as it is known before."""
    for unit_s, unit in ((86400, "days"), (3600, "hours")):
        if seconds >= 2 * unit_s:
            return f"{seconds / unit_s:,.0f} {unit}"
    return f"{max(seconds / 60, 2):.0f} minutes" if seconds >= 90 else "a minute"


def _shape(done: int, whole: int) -> str:
    if not whole:
        return "{desc}: {elapsed} so far"
    left = ", {remaining} to go" if done else ""
    return "{desc}: {percentage:3.0f} % |{bar}| {elapsed} so far" + left


def _columns() -> int:
    try:
        return os.get_terminal_size(sys.stderr.fileno()).columns or COLUMNS
    except OSError:
        return COLUMNS
