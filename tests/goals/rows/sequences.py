"""Row 8: all sequences of up to three of twelve operation templates, cut at every byte.

They begin on a store that is about to change its block and has none ready, so that the log has to seal, open, clean and
erase in the midst of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache, partial
from itertools import product

from simfs import NorFlash, Store, StoreConfig
from simfs.store.format.layout import align_up
from simfs.study.cuts.campaign import campaign
from simfs.study.cuts.judging.states import every_byte
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import History
from simfs.study.cuts.notes.recorder import record
from simfs.study.cuts.shrink import shrink
from simfs.study.pools import Here
from tests.goals.scenarios import Call, added, perform, whole
from tests.goals.table import Outcome, Row

GOAL = 725_000
LENGTH_MAX = 3
TRIES_MAX = 60  # to shrink a case
TEMPLATES: dict[str, list[Call]] = {
    "replace": whole("a", b"other contents" * 2),
    "append": added("a", b"some more"),
    "update": [("open", "b", "r+"), ("write", "b", 3, b"in place"), ("close", "b")],
    "gap": [("open", "b", "r+"), ("write", "b", 70, b"behind a gap"), ("close", "b")],
    "create": whole("c", b"made anew"),
    "empty": [("open", "a", "w"), ("close", "a")],
    "flush": [
        ("open", "b", "a"), ("write", "b", None, b"flushed"), ("flush", "b"),
        ("write", "b", None, b"closed"), ("close", "b"),
    ],
    "remove": [("remove", "a")],
    "rename": [("rename", "a", "c")],
    "rename over": [("rename", "b", "a")],
    "cut": [("truncate", "b", 4)],
    "grow": [("truncate", "a", 90)],
}  # fmt: skip


@cache
def base() -> Store:
    """Two files that live; after a mount, the first few frames fill the block, and the next block's change erases."""
    store = Store.format(NorFlash(6, 512, 64), StoreConfig(buffer_bytes=48, name_bytes=8))
    perform(store, [*whole("a", b"the first file" * 3), *whole("b", b"the second")])
    for turn in range(400):
        perform(store, added("b", bytes([turn % 256]) * 9) if turn % 8 else [("truncate", "b", 10)])
        mounted = Store.mount(NorFlash.from_image(store.flash.image(), datasheet=store.flash.datasheet))
        state = mounted._volume.state
        head, blocks = state.log.heads[0], state.blocks
        if turn > 100 and state.segments.ready is None and not blocks.freed and head is not None:
            room = state.log.room_end_of(head, len(head.table.runs)) - align_up(head.at + 1, 64)
            if 40 < room < 100:
                return mounted
    raise AssertionError("no such moment")


@cache
def history_of(sequence: str) -> History:
    calls = [call for name in sequence.split(" + ") for call in TEMPLATES[name]]
    return record(base(), partial(perform, calls=calls), sequence)


def sequences() -> list[str]:
    return [" + ".join(names) for length in range(1, LENGTH_MAX + 1) for names in product(TEMPLATES, repeat=length)]


def parts(cases: int) -> Iterator[str]:
    """With less than all cases every so manieth sequence, whole."""
    every = sequences()
    count = max(1, min(len(every), round(len(every) * cases / GOAL)))
    return (every[number * len(every) // count] for number in range(count))


def run(part: str) -> Outcome:
    sequence, *only = part.split("; ")
    history = history_of(sequence)
    cuts = [CutPoint.parse(one) for one in only] or list(every_byte(history))
    result = campaign(history, cuts, executor=Here(), violations_max=5)
    outcome = Outcome(tried=result.states)
    outcome.counts["sequences"] = 1
    outcome.counts["erases cut"] = sum(count for what, count in result.counts.items() if what.startswith("erase"))
    for violation in result.violations:
        shrunk = shrink(history, violation, tries_max=TRIES_MAX) if only else None
        said = f"; shrunk: {shrunk[0]} cut at {shrunk[1]}" if shrunk else ""
        outcome.violated(f"{sequence}; {violation.cut}", f"{violation.promise}: {violation.what}{said}")
    history_of.cache_clear()
    return outcome


ROWS = [Row(8, "all sequences of at most 3 of 12 operations, every byte cut", GOAL, parts, run)]
