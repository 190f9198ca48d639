"""Row 23: one log head writes very many frames while the other rests. Whenever the store is mounted on the way, nothing
is missing and it takes more; and at the end both heads go on.

A head rests when nothing has to be moved: a ring of records is written in place, so that its oldest blocks hold nothing
live. Before, and at the end, single records are written here and there, so that much has to be moved.
"""

from __future__ import annotations

from collections.abc import Iterable
from random import Random
from typing import Any

from simfs import NorFlash, Store, StoreConfig
from tests.goals.table import Outcome, Row

GOAL = 1_000_000  # frames, in each of the settings
MOUNT_EVERY = 50_000
BLOCKS = {"block_count": 14, "block_bytes": 4096, "page_bytes": 256}
BOTH = {"log_heads": 2, "level_threshold": 0, "buffer_bytes": 16, "name_bytes": 8}
SETTINGS: dict[str, tuple[dict[str, int], dict[str, Any]]] = {
    "plain": (BLOCKS, BOTH),
    "units of 8": ({**BLOCKS, "program_unit_bytes": 8}, BOTH),
}
RECORD_BYTES = 16
RING_RECORDS = 250
STILL_RECORDS = 400
SCATTERED = 2_000  # records written here and there
SCATTERED_MAX = 4  # times more
QUIET = 3_000  # frames without anything moved: the blocks that were half alive have been cleaned
UNTIL_QUIET_MAX = 60_000


class Lost(AssertionError):
    """The store broke a promise."""


class Ring:
    """A store of two heads, and what its two files hold."""

    def __init__(self, setting: str) -> None:
        sizes, settings = SETTINGS[setting]
        self.store = Store.format(NorFlash(**sizes), StoreConfig(**settings))
        self.truth = {"still": bytearray(), "ring": bytearray()}
        self.random = Random(setting)
        self.frames = 0
        self.write("still", range(STILL_RECORDS))
        self.write("ring", range(RING_RECORDS))
        self.scatter()

    def write(self, name: str, records: Iterable[int]) -> None:
        """Each record is a frame."""
        truth, noise = self.truth[name], self.random.randbytes(4096)
        with self.store.open(name, "r+" if truth else "w") as file:
            for number in records:
                at, start = number * RECORD_BYTES, self.frames % (len(noise) - RECORD_BYTES)
                truth[at : at + RECORD_BYTES] = data = noise[start : start + RECORD_BYTES]
                file.seek(at)
                file.write(data)
                self.frames += 1

    def go_round(self, frames: int) -> None:
        self.write("ring", (number % RING_RECORDS for number in range(frames)))

    def come_to_rest(self) -> None:
        """Until nothing is moved any more, if possible while both heads have a block open."""
        scattered = 0
        for _ in range(0, UNTIL_QUIET_MAX, QUIET):
            moved = self.store.meters.relocated_bytes
            self.go_round(QUIET)
            if self.store.meters.relocated_bytes != moved:
                continue
            if scattered == SCATTERED_MAX or sum(view.state == "open" for view in self.store.blocks()) == 2:
                return
            self.scatter(SCATTERED // 4)
            scattered += 1
        raise Lost("the other head never rests: this tries nothing")

    def scatter(self, records: int = SCATTERED) -> int:
        """Records here and there: blocks stay half alive, so the head of moved data has work. How many bytes it
        moved."""
        moved = self.store.meters.relocated_bytes
        self.write("still", (self.random.randrange(STILL_RECORDS) for _ in range(records)))
        return self.store.meters.relocated_bytes - moved

    def judge(self, store: Store) -> None:
        if store.read_only:
            raise Lost(f"the store is read-only after {self.frames:,} frames")
        for name, wanted in self.truth.items():
            with store.open(name) as file:
                if file.readall() != wanted:
                    raise Lost(f"{name!r} reads otherwise after {self.frames:,} frames")

    def mount_a_copy(self) -> None:
        """A copy, so that the head goes on resting."""
        flash = self.store.flash.copy()
        self.judge(Store.mount(flash))
        changes = flash.programs, flash.erases
        self.judge(Store.mount(flash))
        if changes != (flash.programs, flash.erases):
            raise Lost(f"a second mount writes after {self.frames:,} frames")

    def boot(self) -> None:
        self.store = Store.mount(self.store.flash)
        self.judge(self.store)
        if problems := self.store.check():
            raise Lost(f"check says {problems} after {self.frames:,} frames")


def rest(setting: str, frames: int) -> Ring:
    """One head writes so many frames, the other none; then both write."""
    ring = Ring(setting)
    ring.come_to_rest()
    moved = ring.store.meters.relocated_bytes
    for done in range(0, frames, MOUNT_EVERY):
        ring.go_round(min(MOUNT_EVERY, frames - done))
        ring.mount_a_copy()
    if ring.store.meters.relocated_bytes != moved:
        raise Lost("something was moved: the other head did not rest")
    ring.boot()
    if not ring.scatter():
        raise Lost("nothing had to be moved at the end: this tries nothing")
    ring.boot()
    return ring


def parts(cases: int) -> Iterable[str]:
    """Each setting has to stand the whole number."""
    return [f"{setting}; {cases} frames" for setting in SETTINGS]


def run(part: str) -> Outcome:
    setting, frames = part.split("; ")
    count = int(frames.split()[0])
    outcome = Outcome(tried=count)
    try:
        rest(setting, count)
    except Exception as error:
        outcome.violated(part, error)
    outcome.notes.append(f"{setting}: {count:,} frames by one head")
    return outcome


ROWS = [Row(23, "frames by one head while the other rests; mounted on the way", GOAL, parts, run)]
