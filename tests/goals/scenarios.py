"""Ten reference scenarios, invented: small stores at work under differing settings. Each takes some 200 file
operations and some 500 programs and 20 erases of the flash; row 17 counts which records they reach."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from random import Random
from typing import Any

from simfs import NorFlash, Store, StoreConfig

Call = tuple[Any, ...]


@dataclass(frozen=True)
class Scenario:
    """A flash, a store on it, and what is done with its files."""

    name: str
    flash: dict[str, int]
    config: dict[str, Any]
    story: Callable[[Random], Iterator[Call]]

    def calls(self) -> list[Call]:
        return list(self.story(Random(self.name)))

    def store(self, faults: Any = None) -> Store:
        return Store.format(NorFlash(**self.flash, faults=faults), StoreConfig(**self.config))

    def play(self, store: Store) -> int:
        """Do everything on this store; how many calls lacked room, or the file that lacked it."""
        return perform(store, self.calls())


def perform(store: Store, calls: list[Call]) -> int:
    hands: dict[str, Any] = {}
    refused = 0
    for call in calls:
        if call[0] in NEED_A_HAND and call[1] not in hands:
            continue  # there was no room to open it
        try:
            do(store, hands, call)
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.ENOENT):
                raise
            refused += 1
    return refused


NEED_A_HAND = ("write", "flush", "close")


def do(store: Store, hands: dict[str, Any], call: Call) -> None:
    """One call. `hands` are the open files by the names that they were opened with."""
    what, name, *more = call
    if what == "open":
        hands[name] = store.open(name, *more)
    elif what == "write":
        at, data = more
        hands[name].seek(*((0, 2) if at is None else (at, 0)))
        hands[name].write(data)
    elif what == "flush":
        hands[name].flush()
    elif what == "close":
        hands.pop(name).close()
    else:
        getattr(store, what)(name, *more)  # for "idle" it is a budget of ns


def whole(name: str, data: bytes) -> list[Call]:
    return [("open", name, "w"), ("write", name, None, data), ("close", name)]


def added(name: str, *pieces: bytes) -> list[Call]:
    return [("open", name, "a"), *(("write", name, None, piece) for piece in pieces), ("close", name)]


def settings(random: Random) -> Iterator[Call]:
    """A settings file replaced by renaming; a counter rewritten with "w"; a log that is removed when it is long."""
    for turn in range(32):
        yield from whole("new", random.randbytes(random.randrange(250, 480)))
        yield ("rename", "new", "settings")
        yield from whole("count", b"%d" % turn)
        if turn % 3 == 0:
            yield from added("log", random.randbytes(200))
        if turn % 9 == 8:
            yield ("remove", "log")


def event_log(random: Random) -> Iterator[Call]:
    """Two logs that stay open and are flushed now and then; the older one goes when a third begins."""
    logs = ["log 0", "log 1"]
    for name in logs:
        yield ("open", name, "a")
    for turn in range(150):
        name = logs[turn % 2]
        yield ("write", name, None, random.randbytes(random.randrange(70, 230)))
        if turn % 4 == 0:
            yield ("flush", name)
        if turn % 14 == 13:
            oldest = logs.pop(0)
            yield ("close", oldest)
            yield ("remove", oldest)
            logs.append(f"log {turn}")
            yield ("open", logs[-1], "a")


def ring(random: Random) -> Iterator[Call]:
    """A ring of records updated in place beside data that never change."""
    yield from whole("fixed", random.randbytes(900))
    yield from whole("ring", bytes(20 * 90))
    yield ("open", "ring", "r+")
    for turn in range(190):
        yield ("write", "ring", turn * 7 % 20 * 90, random.randbytes(90))
        if turn % 10 == 9:
            yield ("flush", "ring")
        if turn == 100:
            yield ("rename", "fixed", "for good")


def gaps(random: Random) -> Iterator[Call]:
    """Writes past the end, files that grow by zeros and are cut."""
    for turn in range(60):
        name = "abc"[turn % 3]
        yield ("open", name, "r+" if turn > 2 else "w")
        yield ("write", name, random.randrange(100, 700), random.randbytes(random.randrange(100, 600)))
        yield ("close", name)
        yield ("truncate", name, random.choice((0, 30, 300, 800)))
        if turn % 12 == 11:
            yield ("remove", name)
            yield from whole(name, random.randbytes(40))


def names(random: Random) -> Iterator[Call]:
    """Short-lived files under many names, so that tombstones come and go."""
    live: list[str] = []
    for turn in range(45):
        name = f"job {turn % 17}"
        yield from whole(name, random.randbytes(random.randrange(480)))
        if name not in live:
            live.append(name)
        if len(live) > 6:
            old = live.pop(random.randrange(len(live)))
            yield ("remove", old) if turn % 2 else ("rename", old, f"Done {turn % 3}")


def readings(random: Random) -> Iterator[Call]:
    """A file an hour, the oldest removed; a table that never changes; an index updated in place."""
    yield from whole("table", random.randbytes(500))
    yield from whole("index", bytes(80))
    for hour in range(20):
        name = f"hour {hour}"
        yield ("open", name, "a")
        for turn in range(6):
            yield ("write", name, None, random.randbytes(90))
            if turn % 3 == 2:
                yield ("flush", name)
        yield ("close", name)
        yield ("open", "index", "r+")
        yield ("write", "index", hour % 10 * 8, random.randbytes(8))
        yield ("close", "index")
        if hour > 1:
            yield ("remove", f"hour {hour - 2}")


def full(random: Random) -> Iterator[Call]:
    """More than goes in: files are added to, cut, removed and written anew in a store that stays full."""
    for number in range(70):
        yield from added(f"part {number % 12}", random.randbytes(random.randrange(100, 360)))
        if number % 2:
            yield ("truncate", f"part {random.randrange(min(number, 11))}", 20)
        if number % 15 == 14:
            yield ("remove", f"part {number % 12}")


def idle(random: Random) -> Iterator[Call]:
    """Work with pauses that the store uses to clean ahead."""
    for turn in range(75):
        yield from added(f"data {turn % 3}", random.randbytes(random.randrange(200, 500)))
        if turn % 2:
            yield ("idle", 200_000_000)
        if turn % 3 == 2:
            yield ("truncate", f"data {random.randrange(3)}", 16)


SMALL = {"block_count": 9, "block_bytes": 1024, "page_bytes": 128}
LARGER = {**SMALL, "block_count": 11}
BYTES = {"buffer_bytes": 110, "name_bytes": 12}
SCENARIOS = {
    scenario.name: scenario
    for scenario in [
        Scenario("settings", SMALL, BYTES, settings),
        Scenario("event log", SMALL, {**BYTES, "cleaner": "oldest-first"}, event_log),
        Scenario("ring, two heads", LARGER, {**BYTES, "log_heads": 2, "cleaner": "cost-benefit"}, ring),
        Scenario("gaps", SMALL, {**BYTES, "level_threshold": 1}, gaps),
        Scenario("names, folded", SMALL, {**BYTES, "fold_case": True, "cleaner": "random", "seed": 5}, names),
        Scenario("readings, pages", {**LARGER, "block_bytes": 1536}, {"name_bytes": 12, "packing": "page"}, readings),
        Scenario("readings, units of 8", {**LARGER, "program_unit_bytes": 8}, {**BYTES, "log_heads": 2}, readings),
        Scenario(
            "ring, eight programs a page",
            {**LARGER, "page_programs_max": 8},
            {"buffer_bytes": 110, "name_bytes": 12},
            ring,
        ),
        Scenario("full", SMALL, {**BYTES, "cleaner": "best-of-d", "choices": 3}, full),
        Scenario("idle", SMALL, {**BYTES, "idle_cleaning": True, "log_heads": 2}, idle),
    ]
}
