"""Random work on a store: logs, settings saved whole, in place or by renaming, files removed and cut, a store that is
filled until it refuses and emptied again. Calls are those of `tests.goals.scenarios`."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from random import Random

from tests.goals.long_lives.settings import Setting, other_config
from tests.goals.scenarios import Call, added, whole
from tests.goals.truth import Truth

OPEN_MAX = 4
OFF_ONE_IN = 150  # calls: switched off without a cut
FORMAT_ONE_IN = 300
IDLE_NS = (1_000_000, 30_000_000, 200_000_000, 2_000_000_000)

# What is done in a phase of the work, by weight.
PHASES = {
    "anything": {
        "add": 3, "keep_open": 3, "write": 6, "flush": 2, "close": 2, "whole": 2, "replace": 2, "in_place": 3,
        "remove": 1, "rename": 1, "truncate": 1, "idle": 1,
    },
    "logs": {"keep_open": 3, "write": 10, "flush": 3, "close": 1, "remove": 1, "idle": 1},
    "settings": {"whole": 4, "replace": 4, "in_place": 4, "idle": 1},
    "filling": {"add": 5, "whole": 2, "in_place": 1, "keep_open": 1, "write": 2, "close": 1},
    "full": {"add": 3, "whole": 2, "in_place": 3, "replace": 2, "truncate": 1, "remove": 1, "idle": 1},
    "emptying": {"remove": 3, "truncate": 2, "whole": 1, "idle": 1},
}  # fmt: skip


class Work:
    """Gives one call after the other, by what the truth holds."""

    def __init__(self, setting: Setting, random: Random) -> None:
        self._setting, self._random = setting, random
        limit = setting.config.name_bytes - 1
        names = ["log", "LOG", "set", "new", *(f"long{digit}".ljust(limit, "x") for digit in range(4))]
        names += [f"n{digit}" for digit in range(8)]
        self._names = random.sample(names, random.choice((2, 4, 6, 10)))
        self._calls: deque[Call] = deque()
        self._begin(random.choice(list(PHASES)))

    def power_on(self) -> None:
        """What was to follow has no open files any more."""
        self._calls.clear()

    def refused(self) -> None:
        """There was no room."""
        self._refusals += 1
        if self._phase == "filling":
            self._begin("full")
        elif self._phase != "emptying" and self._refusals > self._bears:
            self._begin("emptying")

    def next_call(self, truth: Truth) -> Call | None:
        """None: the device is switched off."""
        while not self._calls:
            if self._random.random() * OFF_ONE_IN < 1:
                return None
            if self._setting.values["reformats"] and self._random.random() * FORMAT_ONE_IN < 1:
                return ("format", other_config(self._setting, self._random))
            if not self._left:
                self._begin(self._random.choice(list(PHASES)))
            self._left -= 1
            weights = PHASES[self._phase]
            [what] = self._random.choices(list(weights), list(weights.values()))
            self._calls.extend(getattr(self, "_" + what)(truth))
        return self._calls.popleft()

    def _begin(self, phase: str) -> None:
        self._phase, self._left = phase, self._random.randrange(5, 80)
        self._refusals, self._bears = 0, self._random.choice((0, 2, 10))
        most = self._setting.values["block_bytes"]
        self._size_max = self._random.choice((20, 100, 300, most))

    def _name(self) -> str:
        return self._random.choice(self._names)

    def _data(self) -> bytes:
        return self._random.randbytes(self._random.randrange(1, self._size_max + 1))

    def _add(self, truth: Truth) -> Iterator[Call]:
        yield from added(self._name(), *(self._data() for _ in range(self._random.choice((1, 1, 3)))))

    def _whole(self, truth: Truth) -> Iterator[Call]:
        yield from whole(self._name(), self._data())

    def _replace(self, truth: Truth) -> Iterator[Call]:
        new = self._name()
        yield from whole(new, self._data())
        yield ("rename", new, self._name())

    def _in_place(self, truth: Truth) -> Iterator[Call]:
        name = self._name()
        file = truth.files.get(truth._key(name))
        if file is None:
            return
        yield ("open", name, "r+")
        for _ in range(self._random.choice((1, 2))):
            yield ("write", name, self._random.randrange(len(file.durable) * 9 // 8 + 2), self._data())
        yield ("close", name)

    def _keep_open(self, truth: Truth) -> Iterator[Call]:
        if len(truth.opened) < OPEN_MAX:
            yield ("open", self._name(), self._random.choice("aaw"))

    def _write(self, truth: Truth) -> Iterator[Call]:
        if truth.opened:
            yield ("write", self._random.choice(list(truth.opened)), None, self._data())

    def _flush(self, truth: Truth) -> Iterator[Call]:
        if truth.opened:
            yield ("flush", self._random.choice(list(truth.opened)))

    def _close(self, truth: Truth) -> Iterator[Call]:
        if truth.opened:
            yield ("close", self._random.choice(list(truth.opened)))

    def _remove(self, truth: Truth) -> Iterator[Call]:
        yield ("remove", self._name())

    def _rename(self, truth: Truth) -> Iterator[Call]:
        yield ("rename", self._name(), self._name())

    def _truncate(self, truth: Truth) -> Iterator[Call]:
        yield ("truncate", self._name(), self._random.choice((0, 3, 30, self._random.randrange(400))))

    def _idle(self, truth: Truth) -> Iterator[Call]:
        yield ("idle", self._random.choice(IDLE_NS))
