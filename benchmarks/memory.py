"""Memory of the host that a store takes beyond the flash's image, by `tracemalloc`."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator

from benchmarks.devices import append_until_full, new_store
from benchmarks.measure import Figure
from simfs import Store

NAMES = ("memory, building and holding a full store", "memory, mounting it beside the one that is held")


def run(small: bool) -> Iterator[Figure]:
    """The peak while a store is filled with 40-byte records in one file and held, and while it is mounted again."""
    size_bytes = 256 << 10 if small else 16 << 20
    tracemalloc.start()
    try:
        store = new_store(size_bytes)
        records = append_until_full(store, ["/log/0.csv"])
        held, peak = tracemalloc.get_traced_memory()
        detail = f"{_mib(held - size_bytes):.2f} MiB held; {records} records"
        yield Figure(NAMES[0], _mib(peak - size_bytes), "MiB", 24, detail)
        tracemalloc.reset_peak()
        again = Store.mount(store.flash, read_only=True)
        both, peak = tracemalloc.get_traced_memory()
        assert again.names() == store.names()
        yield Figure(NAMES[1], _mib(peak - held), "MiB", None, f"{_mib(both - held):.2f} MiB held")
    finally:
        tracemalloc.stop()


def _mib(size_bytes: int) -> float:
    return size_bytes / (1 << 20)
