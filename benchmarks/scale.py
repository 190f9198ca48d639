"""Open-append-close of 40 bytes where it should cost the same: on a larger store, and among more files."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import cycle

from benchmarks.devices import RECORD, Rotation, new_store
from benchmarks.measure import Figure, ratio, seconds_in_turn
from simfs import Store

NAMES = (
    "append, 16 MiB store against 1 MiB",
    "append to one file, 10,000 beside it against 10",
    "append in turn to 10,000 files against 10",
)


def run(small: bool) -> Iterator[Figure]:
    appends, rounds = (100, 1) if small else (1000, 40)
    large, little = (1 << 20, 256 << 10) if small else (16 << 20, 1 << 20)
    stores = [Rotation(new_store(size), appends_a_file=appends) for size in (large, little)]
    taken = seconds_in_turn(rounds, *[store.one_file for store in stores])
    yield ratio(NAMES[0], 1.15, taken[0], taken[1], operations=appends)
    size_bytes, many = (1 << 20, 500) if small else (8 << 20, 10_000)
    crowds = [Rotation(_with_files(size_bytes, count, many), 0.4, appends) for count in (many, 10)]
    taken = seconds_in_turn(rounds, *[crowd.one_file for crowd in crowds])
    yield ratio(NAMES[1], 1.3, taken[0], taken[1], operations=appends)
    turns = [InTurn(_with_files(2 * size_bytes, count, many), count, appends) for count in (many, 10)]
    taken = seconds_in_turn(rounds, *[turn.appends for turn in turns])
    yield ratio(NAMES[2], 1.3, taken[0], taken[1], operations=appends)


def _with_files(size_bytes: int, count: int, records: int) -> Store:
    """A store of so many files, which hold so many records together."""
    store = new_store(size_bytes)
    for number in range(count):
        with store.open(_name(number), "ab") as file:
            file.write(RECORD * (records // count))
    return store


def _name(number: int) -> str:
    return f"/set/{number:05}.bin"


class InTurn:
    """Each append goes to another file than the last. The store is large enough that nothing needs cleaning."""

    def __init__(self, store: Store, count: int, appends: int) -> None:
        self._store, self._appends = store, appends
        self._names = cycle([_name(number) for number in range(count)])

    def appends(self) -> None:
        store, names = self._store, self._names
        for _ in range(self._appends):
            with store.open(next(names), "ab") as file:
                file.write(RECORD)
