"""A run put together by hand on a real flash and a real store, for the tests of figures and reports."""

from __future__ import annotations

from collections import Counter
from typing import Any

from simfs.files import Store
from simfs.flash import NorFlash
from simfs.replay.device.clock import NS_PER_DAY, moment
from simfs.replay.device.device import Run
from simfs.replay.device.notes import Boot, HeldReads, Stall, StallLog, TaskTally
from simfs.store.format.config import StoreConfig
from simfs.store.tables.meters import Meters

US, MS = 1_000, 1_000_000
SHORT = Stall(5 * MS, "gauge", "append", "/tide.csv", 500 * US, 3 * MS, 1, 0, 0, 0)
# 3 programs of 500 us and an erase of 50 ms; at most 3 of 3 ms and one of 400 ms (the generic datasheet).
LONG = Stall(NS_PER_DAY, "settings", "rewrite", "/settings.json", 51_500 * US, 409 * MS, 3, 1, 1, 700)


def stall_log(*stalls: Stall) -> StallLog:
    """The log of these writes."""
    log = StallLog()
    for stall in stalls:
        if log.stands_out(stall.busy_ns, stall.busy_max_ns, stall.cleanings):
            log.keep(stall)
    return log


def hand_built_run(**changes: Any) -> Run:
    """Ten days of two tasks on 16 blocks of 4 KiB.

    In the run the flash did 4 programs of 100 bytes, 2 reads of 50 and 3 erases: block 9 twice, block 12 once.
    """
    flash = NorFlash(block_count=16, block_bytes=4096, page_bytes=256)
    store = Store.format(flash, StoreConfig())
    first, erase_counts_first = store.medium.mark(), list(flash.erase_counts)
    for page in range(4):
        flash.program(9 * 4096 + 256 * page, bytes(100))
    for _ in range(2):
        flash.read(9 * 4096, 50)
    for block in (9, 9, 12):  # after the programs, so that the store finds both as blank as it left them
        flash.erase(block)
    store.meters.payload_bytes_programmed = 150
    store.meters.relocated_bytes = 50
    gauge = TaskTally("gauge", Counter(append=999), 0, 100, 50, 1, 100, 0, 999 * 500 * US)
    settings = TaskTally("settings", Counter(rewrite=1), 0, 100, 50, 3, 300, 3, LONG.busy_ns)
    known: dict[str, Any] = {
        "title": "Harbour",
        "source": "harbour.toml",
        "kind": "scenario",
        "store": store,
        "first": first,
        "first_meters": Meters(),
        "erase_counts_first": erase_counts_first,
        "start_ns": moment(2031, 4, 5),
        "duration_ns": 10 * NS_PER_DAY,
        "tasks": {"gauge": gauge, "settings": settings},
        "writes": stall_log(*[SHORT] * 999, LONG),
        "held": HeldReads(2, 60 * MS, 45 * MS, "settings: rewrite"),
        "refusals": [],
        "name_faults": [],
        "boots": [Boot(0, 40, 4000, 1, 0, 9 * MS), Boot(10 * NS_PER_DAY, 30, 3000, 0, 0, 7 * MS)],
        "skipped": [],
        "differing": [],
        "live_bytes_max": 3000,
        "live_bytes_max_at_ns": 4 * NS_PER_DAY,
        "expect": {},
    }
    return Run(**{**known, **changes})
