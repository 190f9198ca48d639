"""Reads the lines of `strace -f -y -ttt -s 1048576 -x` (or `-xx`) into system calls.

A call that another process's line interrupts comes as two lines, `<unfinished ...>` and `resumed`; here it is one
again. Calls are in the order in which they returned, except `EARLY` calls, which count when they begin. If two calls
overlap, the recording does not show which came first (strace sees a call begin and return, not take effect);
`Call.first_line` shows the overlap.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from dataclasses import dataclass

from simfs.replay.device.clock import NS_PER_S, days_before

EPOCH_NS = days_before(1970, 1, 1) * 86_400 * NS_PER_S  # -ttt counts from here

FAILED = "-1"
UNKNOWN = "?"  # the value of a call that never returned

_STAMP = r"(?:(?:\[pid +)?(\d{1,10})\]? +)?(\d{1,12})\.(\d{1,9}) +"
_VALUE = r"(\?|-?\d{1,20}|0x[0-9a-f]+)(?:<([^<>]*)>(?:\(deleted\))?)?"
_REMARKS = r"(?: ([A-Z]\w*))?(?: \([^()]*\)){0,2}(?: <\d+\.\d+>)?"
_RESULT = _VALUE + _REMARKS
_CALL = re.compile(rf"{_STAMP}(\w+)\((.*)\) += {_RESULT}\s*$")
_STAMPED = re.compile(rf"{_STAMP}(.*)")
_BEGUN = re.compile(r"(\w+)\((.*)<(?:unfinished \.\.\.|pid changed to (\d+) \.\.\.)>$")
_RESUMED = re.compile(r"<\.\.\. (\w+) resumed>(.*)$")
_RETURNED = re.compile(rf"(\w+)\((.*)\) += {_RESULT}$")
_ENDED = re.compile(
    r"\+\+\+ (?:exited with \d+|killed by \w+(?: \(core dumped\))?|superseded by execve in pid \d+) \+\+\+$"
)
_SIGNAL = re.compile(r"--- (?:SIG\w+ \{.*\}|stopped by SIG\w+) ---$")
_NOTICE = re.compile(r"strace: Process (\d{1,10}) attached(?: .*)?\s*$")  # without -o, often in the middle of a line

# These take effect when they begin: a descriptor that is being closed may be given to someone else before the close has
# returned, and a new process may run before its parent knows of it.
EARLY = frozenset({"close", "clone", "clone3", "fork", "vfork"})
ATTACHED = "+attached"
ENDED = "+ended"


@dataclass(slots=True)
class Call:
    """One system call, or what strace says about a process (`ATTACHED`, `ENDED`)."""

    line: int
    pid: int  # 0: the line has none, there is only one process
    stamp: tuple[str, str]  # when it returned: seconds and their fraction, as -ttt writes them
    name: str
    args: str = ""
    value: str = ""  # what it returned; "" while an `EARLY` call has begun and not returned; UNKNOWN if it never did
    path: str | None = None  # the path of the returned descriptor, escaped as strace writes it
    begun: bool = False  # its beginning has been reported before
    first_line: int = 0  # the line on which it began, if that is not `line`

    @property
    def at_ns(self) -> int:
        """The device time of its stamp, in ns without loss."""
        return stamp_ns(*self.stamp)


class Reader:
    """Iterates over calls; lines that can't be read go to `unreadable`, with their number.

    Names in `ignored` are left out. `first_ns` and `last_ns` are the device times of the first and the last line read
    so far (None before).
    """

    def __init__(self, lines: Iterable[str], ignored: Container[str], unreadable: Callable[[int, str], None]) -> None:
        self._lines = lines
        self._ignored = ignored
        self._unreadable = unreadable
        self._begun: dict[int, Call] = {}
        self._torn: list[str] = []  # the first parts of a line that notices have interrupted
        self._first: tuple[str, str] | None = None
        self._last: tuple[str, str] | None = None

    @property
    def first_ns(self) -> int | None:
        return self._first and stamp_ns(*self._first)

    @property
    def last_ns(self) -> int | None:
        return self._last and stamp_ns(*self._last)

    def __iter__(self) -> Iterator[Call]:
        ignored, match_call = self._ignored, _CALL.match
        for number, line in enumerate(self._lines, 1):
            match = match_call(line)
            if match is None:
                yield from self._other(number, line)
                continue
            pid, seconds, fraction, name, args, value, path, error = match.groups()
            self._last = (seconds, fraction)
            if self._first is None:
                self._first = self._last
            if name not in ignored:
                if error and value == UNKNOWN:  # interrupted before it did anything
                    value = FAILED
                yield Call(number, int(pid or 0), self._last, name, args, value, path)
        for call in self._begun.values():
            call.value = UNKNOWN
            if call.name not in ignored:
                yield call

    def _other(self, number: int, line: str) -> Sequence[Call]:
        """The calls that are known after a line that is not one whole call."""
        notice = _NOTICE.search(line)
        if notice:
            self._torn.append(line[: notice.start()])
            return [Call(number, int(notice[1]), self._last or ("0", "0"), ATTACHED)]
        if self._torn:
            line = "".join((*self._torn, line))
            self._torn.clear()
        match = _STAMPED.match(line)
        if match is None:
            if line.strip() and not line.startswith("strace: "):
                self._unreadable(number, line)
            return ()
        pid, seconds, fraction, text = match.groups()
        self._last = (seconds, fraction)
        self._first = self._first or self._last
        return self._part(Call(number, int(pid or 0), self._last, ""), text.rstrip())

    def _part(self, call: Call, text: str) -> Sequence[Call]:
        """`text` with its stamp taken off: half a call, a signal or the end of a process."""
        if text.startswith("<... "):
            return self._resumed(call, text)
        whole = _RETURNED.match(text)
        if whole:  # after a notice
            call.name, call.args, call.value, call.path, _ = whole.groups()
            return [call]
        begun = _BEGUN.match(text)
        if begun:
            call.name, call.args = begun[1], begun[2].removesuffix(" ")
            self._begun[int(begun[3] or call.pid)] = call
            return self._early(call)
        if text.startswith("+++"):
            return self._ended(call, text)
        if not _SIGNAL.match(text):
            self._unreadable(call.line, text)
        return ()

    def _ended(self, call: Call, text: str) -> Sequence[Call]:
        if not _ENDED.match(text):
            self._unreadable(call.line, text)
            return ()
        if "superseded" in text:  # the process lives on, its exec is still to return
            return ()
        call.name = ENDED
        begun = self._begun.pop(call.pid, None)
        if begun is None or begun.name in self._ignored:
            return [call]
        begun.value = UNKNOWN
        return [begun, call]

    def _early(self, call: Call) -> Sequence[Call]:
        if call.name not in EARLY or call.name in self._ignored:
            return ()
        call.begun = True
        return [Call(call.line, call.pid, call.stamp, call.name, call.args)]

    def _resumed(self, call: Call, text: str) -> Sequence[Call]:
        match = _RESUMED.match(text)
        begun = self._begun_by(call)
        if match is None or begun is None or begun.name != match[1]:
            self._unreadable(call.line, text)
            return ()
        rest = match[2].removeprefix(" <unfinished ...>")  # so the process was killed
        whole = _RETURNED.match(f"{begun.name}({begun.args}{rest}")
        if whole is None:
            self._unreadable(call.line, text)
            return ()
        call.name, call.args, call.value, call.path, error = whole.groups()
        if error and call.value == UNKNOWN:
            call.value = FAILED
        call.begun, call.first_line = begun.begun, begun.line
        return () if call.name in self._ignored else [call]

    def _begun_by(self, call: Call) -> Call | None:
        """The call that goes on here. Without -o, strace gives pids only while there are several processes."""
        if call.pid not in self._begun and call.pid and 0 in self._begun:
            return self._begun.pop(0)
        if call.pid == 0 and len(self._begun) == 1:
            call.pid, begun = self._begun.popitem()
            return begun
        return self._begun.pop(call.pid, None)


def stamp_ns(seconds: str, fraction: str) -> int:
    """Device time of a `-ttt` stamp, in ns without loss."""
    if len(fraction) == 6:
        return EPOCH_NS + int(seconds) * NS_PER_S + int(fraction) * 1000
    return EPOCH_NS + int(seconds) * NS_PER_S + int(fraction.ljust(9, "0"))


def is_line(line: str) -> bool:
    """Whether strace with `-ttt` may have written this line."""
    if _CALL.match(line):
        return True
    match = _STAMPED.match(line)
    if match is None:
        return False
    text = match[4].rstrip()
    return bool(_BEGUN.match(text) or _RESUMED.match(text) or _ENDED.match(text))
