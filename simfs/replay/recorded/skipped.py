"""What a replay of a recording had to leave out: counted and named, each kind with the first line that had it."""

from __future__ import annotations

from collections import Counter

from simfs.replay.device.notes import Differing, Skipped
from simfs.replay.recorded.faults import Unreadable

SHOWN_MAX = 20  # of a kind one by one, after so many only the count goes on


class SkippedLedger:
    """Collects `Skipped`. With `strict`, a line that can't be read raises `Unreadable` with the recording's name."""

    def __init__(self, source: str, strict: bool) -> None:
        self.source = source
        self.later_rounds = False  # the lines were all there before: only what is new is noted
        self._strict = strict
        self._first_line: dict[str, int] = {}
        self._count: dict[str, int] = {}
        self._shown: Counter[str] = Counter()

    def note(self, line: int, what: str) -> None:
        """One more of a kind; `what` is the kind."""
        if self.later_rounds and what in self._first_line:
            return
        self._first_line.setdefault(what, line)
        self._count[what] = self._count.get(what, 0) + 1

    def unreadable(self, line: int, text: str, why: str = "", right: str = "") -> None:
        """A line that can't be read: `why`, or what a `right` one looks like, or both."""
        shown = ascii(text.strip()[:60]) + ("..." if len(text.strip()) > 60 else "")
        if self._strict:
            said = "; ".join(part for part in (why, right) if part)
            raise Unreadable(f"{self.source}: line {line}: {shown} can't be read; {said}")
        self._each("can't be read", line, f"line {line} can't be read: {shown}" + (f" ({why})" if why else ""))

    def lost(self, line: int, what: str, right: str) -> None:
        """Lines that are not there, before this one."""
        if self._strict:
            raise Unreadable(f"{self.source}: line {line}: {what}; {right}")
        self._each("are lost", line, what)

    def odd(self, line: int, what: str) -> None:
        """A line in the wrong place, by which nothing is lost."""
        self._each("are out of order", line, what)

    def doubtful(self, line: int, what: str) -> None:
        """Lines that came twice, where only one who was there knows whether they were printed twice."""
        if self._strict:
            right = "give a log in which nothing is sent twice, or number the boots"
            raise Unreadable(f"{self.source}: line {line}: {what}; {right}")
        self.odd(line, what)

    def differing(self, files: list[Differing]) -> None:
        """Files that may differ at the end, which a strict replay refuses."""
        if self._strict and files:
            line, name, why = files[0]
            shown = "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in name[:200])
            more = f" (and {len(files) - 1:,} more)" if files[1:] else ""
            raise Unreadable(
                f"{self.source}: line {line}: {shown} may differ from the host's file{more}: {why}; "
                "record it so that all bytes are in it, or leave out --strict to see every such file"
            )

    def _each(self, kind: str, line: int, what: str) -> None:
        if self.later_rounds:
            return
        self._shown[kind] += 1
        self.note(line, what if self._shown[kind] <= SHOWN_MAX else f"further lines {kind}")

    def entries(self) -> list[Skipped]:
        """Everything noted, in the order of the lines."""
        noted = [Skipped(line, what, self._count[what]) for what, line in self._first_line.items()]
        return sorted(noted, key=lambda skipped: skipped.line)
