"""Mounting a store full of 40-byte records, against the quickest way to have read its image once: `zlib.crc32`. Before
each mount the process forgets what earlier ones found, so that it takes what a first one takes."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from zlib import crc32

from benchmarks.devices import append_until_full, new_store
from benchmarks.measure import Figure, ratio, seconds_in_turn
from simfs import Store

NAMES = ("mount, one file", "mount, ten files in turn")


def run(small: bool) -> Iterator[Figure]:
    """On 16 MiB, erase blocks of 4 KiB. A mount that may write: the store is settled, so that it writes nothing."""
    size_bytes, rounds = (256 << 10, 3) if small else (16 << 20, 15)
    for name, count, goal in zip(NAMES, (1, 10), (5, 12), strict=True):
        store = new_store(size_bytes)
        append_until_full(store, [f"/log/{number}.csv" for number in range(count)])
        flash = store.flash
        image = flash.image()
        settled = Store.mount(flash)
        assert sum(settled.stat(known).size_bytes for known in settled.names()) > size_bytes // 2
        taken = seconds_in_turn(rounds, partial(Store.mount, flash), partial(crc32, image))
        yield ratio(name, goal, taken[0], taken[1], unit="ms")
