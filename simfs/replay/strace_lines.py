"""Reads the lines of `strace -f -y -ttt -s 1048576 -x` (or `-xx`) into system calls.

A call that another process's line interrupts comes as two lines, `<unfinished ...>` and `resumed`; here it is one
again. The order is that in which the calls returned, but for two sorts. `EARLY` calls count when they begin. Calls on
the bytes and names of files do so too (`IN_ORDER_OF_BEGINNING`): strace lets a process go on once it has seen the call
begin, a file does not keep it waiting, and the time until strace sees it return is long and chance. So where two of
them overlap, the one that began first most likely came first; the recording can't tell more.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Container, Iterable, Iterator
from dataclasses import dataclass

from simfs.replay.clock import NS_PER_S, days_before

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
_NOTICE = re.compile(r"strace: Process (\d{1,10}) attached(?: .*)?\s*$")

# These take effect when they begin: a descriptor that is being closed may be given to someone else before the close has
# returned, and a new process may run before its parent knows of it.
EARLY = frozenset({"close", "clone", "clone3", "fork", "vfork"})
IN_ORDER_OF_BEGINNING = frozenset(
    (
        *("write", "pwrite64", "writev", "pwritev", "pwritev2", "read", "pread64", "readv", "preadv", "preadv2"),
        *("lseek", "ftruncate", "fallocate", "truncate", "rename", "renameat", "renameat2", "unlink", "unlinkat"),
    )
)
HELD_MAX = 10_000  # calls kept back behind one that has not returned; a pipe in the file system may never return
_OF_A_FILE = re.compile(r"\d+<(?:/(?!dev/)|\\x2f(?!\\x64\\x65\\x76\\x2f))|AT_FDCWD|\"")
ATTACHED = "+attached"
ENDED = "+ended"


@dataclass(slots=True)
class Call:
    """One system call, or what strace says about a process (`ATTACHED`, `ENDED`)."""

    line: int
    pid: int  # 0: the line has none, there is only one process
    at_ns: int  # device time when it returned
    name: str
    args: str = ""
    value: str = ""  # what it returned; "" while an `EARLY` call has begun and not returned; UNKNOWN if it never did
    path: str | None = None  # the path of the returned descriptor, escaped as strace writes it
    begun: bool = False  # its beginning has been reported before
    waits: bool = False  # for its return, before it and what follows can be reported


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
        self._held: deque[Call] = deque()
        self._first: tuple[str, str] | None = None
        self._last: tuple[str, str] | None = None

    @property
    def first_ns(self) -> int | None:
        return self._first and stamp_ns(*self._first)

    @property
    def last_ns(self) -> int | None:
        return self._last and stamp_ns(*self._last)

    def __iter__(self) -> Iterator[Call]:
        ignored, match_call, held = self._ignored, _CALL.match, self._held
        for number, line in enumerate(self._lines, 1):
            match = match_call(line)
            if match is None:
                yield from self._in_order(self._other(number, line))
                continue
            pid, seconds, fraction, name, args, value, path, error = match.groups()
            self._last = (seconds, fraction)
            self._first = self._first or self._last
            if name not in ignored:
                if error and value == UNKNOWN:  # interrupted before it did anything
                    value = FAILED
                call = Call(number, int(pid or 0), stamp_ns(seconds, fraction), name, args, value, path)
                if held:
                    yield from self._in_order(call)
                else:
                    yield call
        for call in self._begun.values():
            call.value = UNKNOWN
        yield from held
        yield from (call for call in self._begun.values() if not call.waits and call.name not in ignored)

    def _in_order(self, call: Call | None) -> Iterator[Call]:
        """What can be reported now that `call` has been read."""
        held = self._held
        if call is not None:
            held.append(call)
        if len(held) > HELD_MAX:
            held.popleft().waits = False  # it is reported when it returns
        while held and not held[0].waits:
            yield held.popleft()

    def _other(self, number: int, line: str) -> Call | None:
        """A line that is not one whole call."""
        match = _STAMPED.match(line)
        if match is None:
            notice = _NOTICE.match(line)
            if notice:
                return Call(number, int(notice[1]), self.last_ns or 0, ATTACHED)
            if line.strip() and not line.startswith("strace: "):
                self._unreadable(number, line)
            return None
        pid, seconds, fraction, text = match.groups()
        self._last = (seconds, fraction)
        self._first = self._first or self._last
        return self._part(Call(number, int(pid or 0), stamp_ns(seconds, fraction), ""), text.rstrip())

    def _part(self, call: Call, text: str) -> Call | None:
        """`text` with its stamp taken off: half a call, a signal or the end of a process."""
        if text.startswith("<... "):
            return self._resumed(call, text)
        begun = _BEGUN.match(text)
        if begun:
            call.name, call.args = begun[1], begun[2].removesuffix(" ")
            self._begun[int(begun[3] or call.pid)] = call
            return self._early(call)
        if text.startswith("+++"):
            return self._ended(call, text)
        if not _SIGNAL.match(text):
            self._unreadable(call.line, text)
        return None

    def _ended(self, call: Call, text: str) -> Call | None:
        if not _ENDED.match(text):
            self._unreadable(call.line, text)
            return None
        if "superseded" in text:  # the process lives on, its exec is still to return
            return None
        call.name = ENDED
        begun = self._begun.pop(call.pid, None)
        if begun is not None and begun.waits:
            begun.value, begun.waits = UNKNOWN, False
        return call

    def _early(self, call: Call) -> Call | None:
        if call.name in IN_ORDER_OF_BEGINNING and call.name not in self._ignored and _OF_A_FILE.match(call.args):
            call.waits = True
            return call
        if call.name not in EARLY or call.name in self._ignored:
            return None
        call.begun = True
        return Call(call.line, call.pid, call.at_ns, call.name, call.args)

    def _resumed(self, call: Call, text: str) -> Call | None:
        match = _RESUMED.match(text)
        begun = self._begun.pop(call.pid, None) or (self._begun.pop(0, None) if call.pid else None)
        if match is None or begun is None or begun.name != match[1]:
            self._unreadable(call.line, text)
            return None
        whole = _RETURNED.match(f"{begun.name}({begun.args}{match[2].replace(' <unfinished ...>', '', 1)}")
        if whole is None:
            self._unreadable(call.line, text)
            return None
        if begun.waits:  # it has its place in the order already
            call, begun.waits = begun, False
        call.name, call.args, call.value, call.path, error = whole.groups()
        if error and call.value == UNKNOWN:
            call.value = FAILED
        call.begun = begun.begun
        return None if call is begun or call.name in self._ignored else call


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
