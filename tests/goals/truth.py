"""What a store must hold when calls may fail: the durable contents beside what waits in buffers, and which of them are
possible after a call that was refused. Calls are those of `goals_scenarios`."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass, field

from tests.goals.scenarios import Call

Contents = dict[str, bytes]


@dataclass
class TrueFile:
    """What is durable of a file, and what waits in its buffer."""

    durable: bytes = b""
    waiting: bytes = b""
    waits_at: int = 0

    def put(self, length: int) -> None:
        """The first `length` of the bytes that wait are durable."""
        old = self.durable.ljust(self.waits_at, b"\0")
        data, self.waiting = self.waiting[:length], self.waiting[length:]
        self.durable = old[: self.waits_at] + data + old[self.waits_at + len(data) :]
        self.waits_at += length

    def seen(self) -> bytes:
        shown = copy.copy(self)
        if shown.waiting:
            shown.put(len(shown.waiting))
        return shown.durable


@dataclass
class Truth:
    """Files by name as they were created, with case folded or not; open ones by the name they were opened with."""

    buffer_bytes: int
    folded: bool = False
    files: dict[str, TrueFile] = field(default_factory=dict)
    opened: dict[str, TrueFile] = field(default_factory=dict)
    spelled: dict[str, str] = field(default_factory=dict)

    def durable(self) -> Contents:
        return {self.spelled[key]: file.durable for key, file in self.files.items()}

    def seen(self) -> Contents:
        return {self.spelled[key]: file.seen() for key, file in self.files.items()}

    def steps(self, call: Call) -> Iterator[None]:
        """Make a call, with a step at each state that a failure may leave. KeyError: no such file."""
        what, *arguments = call
        yield from getattr(self, "_" + what)(*arguments)

    def after(self, call: Call) -> Truth:
        for _ in self.steps(call):
            pass
        return self

    def _key(self, name: str) -> str:
        return name.lower() if self.folded else name

    def _open(self, name: str, mode: str) -> Iterator[None]:
        key = self._key(name)
        file = self.files.get(key)
        if file is None:
            if mode == "r+":
                raise KeyError(name)
            file = self.files[key] = TrueFile()
            self.spelled[key] = name
            yield
        elif mode == "w" and file.seen():
            file.waiting = b""
            yield
            file.durable = b""
            yield
        self.opened[name] = file

    def _write(self, name: str, at: int | None, data: bytes) -> Iterator[None]:
        file = self.opened[name]
        at = len(file.seen()) if at is None else at
        if file.waiting and not file.waits_at <= at <= file.waits_at + len(file.waiting):
            file.put(len(file.waiting))
            yield
        if not file.waiting:
            file.waits_at = at
        within = at - file.waits_at
        file.waiting = file.waiting[:within] + data + file.waiting[within + len(data) :]
        yield
        while len(file.waiting) >= self.buffer_bytes:
            file.put(self.buffer_bytes)
            yield

    def _flush(self, name: str) -> Iterator[None]:
        file = self.opened[name]
        if file.waiting:
            file.put(len(file.waiting))
            yield

    def _close(self, name: str) -> Iterator[None]:
        yield from self._flush(name)
        del self.opened[name]

    def _truncate(self, name: str, size: int) -> Iterator[None]:
        file = self.files[self._key(name)]
        file.waiting = file.waiting[: max(size - file.waits_at, 0)]
        yield
        if file.waiting:
            file.put(len(file.waiting))
            yield
        file.durable = file.durable[:size].ljust(size, b"\0")
        yield

    def _remove(self, name: str) -> Iterator[None]:
        del self.files[self._key(name)]
        yield

    def _rename(self, old: str, new: str) -> Iterator[None]:
        self.files[self._key(new)] = self.files.pop(self._key(old))
        self.spelled[self._key(new)] = new
        yield

    def _idle(self, budget_ns: int) -> Iterator[None]:
        yield from ()


class Possible:
    """All that can be true after calls of which some were refused. A refused call may have done nothing, all that it
    says or any first part of it; `look` leaves what agrees with what the store shows."""

    def __init__(self, start: Truth) -> None:
        self.truths = [start]
        self.in_flight: list[Contents] = []  # also possible on the flash until another call has made something durable

    def done(self, call: Call) -> None:
        """The call succeeded; a truth in which it can't is none."""
        before = [truth.durable() for truth in self.truths]
        kept = []
        for truth in self.truths:
            try:
                kept.append(truth.after(call))
            except KeyError:
                continue
        self.truths = kept
        if [truth.durable() for truth in kept] != before:
            self.in_flight.clear()

    def refused(self, call: Call, hands: set[str]) -> None:
        self.truths = _distinct(variant for truth in self.truths for variant in _variants(truth, call))
        for truth in self.truths:
            truth.opened = {name: file for name, file in truth.opened.items() if name in hands}
        self.in_flight += [truth.durable() for truth in self.truths]

    def look(self, shown: Contents) -> bool:
        """Keep what agrees with what the store shows; whether there is any."""
        self.truths = [truth for truth in self.truths if truth.seen() == shown]
        return bool(self.truths)

    def durable(self) -> list[Contents]:
        return [truth.durable() for truth in self.truths] + self.in_flight


def _variants(truth: Truth, call: Call) -> Iterator[Truth]:
    count = 0
    while True:
        variant = copy.deepcopy(truth)
        steps = variant.steps(call)
        try:
            ended = any(next(steps, steps) is steps for _ in range(count))
        except KeyError:
            return
        yield variant
        if ended:
            return
        count += 1


def _distinct(truths: Iterator[Truth]) -> list[Truth]:
    found: list[Truth] = []
    for truth in truths:
        if truth not in found:
            found.append(truth)
    return found
