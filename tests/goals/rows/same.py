"""Rows 13 and 18: the same seed gives the same bytes, on every Python, whatever the hash seed and the number of
processes; and also with every cache and fast path off.

A digest is the SHA-256 over the flash after a random walk of row 9: its cells, wear and operations, and what the store
counted."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from functools import cache, partial
from pathlib import Path
from typing import Any
from unittest.mock import patch

import sortedcontainers

import simfs
from simfs import NorFlash, Store
from simfs.flash.faults import FaultHooks
from simfs.store.cleaning.room import Room
from simfs.store.format import codec, layout
from simfs.store.format import settings as setup
from simfs.store.format.runs import order_of
from simfs.store.log import block_scan as scan
from simfs.store.log import heads as log
from simfs.store.log import state
from simfs.store.log.seal import read_listings
from simfs.store.mounting import block_reader as look
from simfs.store.mounting import rebuild as replayed
from simfs.store.mounting import ruling, survey
from tests.goals.rows.random_work import Differs, Walk
from tests.goals.scenarios import SCENARIOS
from tests.goals.table import Outcome, Row, shares
from tests.store.test_differential_remount import SETTINGS
from tests.support import places

WALK_OPERATIONS = 400
BATCH = 25
HASH_SEEDS = ("0", "1", "4711", "random")
VERSION_MIN = (3, 11)
PLAIN = False  # whether scenarios do one operation after the other
SHIPPED = {path.name: path for path in places.ON_FLASH if path.suffix == ".toml"}


def walk(number: int) -> Walk:
    settings = list(SETTINGS)
    return Walk(settings[number % len(settings)], number)


def digest(number: int, reads: bool = True) -> str:
    """`reads`: how often the flash was read counts as well. That a walk goes wrong is for row 9 to say."""
    walked = walk(number)
    with suppress(Differs):
        walked.go(WALK_OPERATIONS)
    return digest_of(walked.store, [walked.done, walked.refused, walked.cleanings], reads)


def digest_of(store: Store, seen: list[int], reads: bool) -> str:
    flash, counts = store.flash, store.flash.counts
    operations = [counts.programs, counts.program_bytes, counts.erases] + [counts.reads, counts.read_bytes] * reads
    said = json.dumps([operations, flash.erase_counts, store.ram(), *seen])
    return hashlib.sha256(flash.image() + said.encode()).hexdigest()


def digest_of_scenario(name: str) -> str:
    if name in SHIPPED:
        from simfs.replay.play import play  # needs libraries that another Python may not have
        from simfs.replay.scenario.load import load_scenario

        return digest_of(play(load_scenario(SHIPPED[name]), name, plain=PLAIN).store, [], reads=False)
    store = SCENARIOS[name].store()
    return digest_of(store, [SCENARIOS[name].play(store)], reads=False)


# Row 13


@cache
def pythons() -> dict[str, str]:
    """Every Python on this machine that may run the project, by version: where it is."""
    found = {".".join(map(str, sys.version_info[:3])): sys.executable}
    paths = [shutil.which(f"python3.{minor}") for minor in range(VERSION_MIN[1], VERSION_MIN[1] + 10)]
    paths += sorted(map(str, Path.home().glob(".pyenv/versions/*/bin/python")))
    for path in filter(None, paths):
        ask = "import sys; print(*sys.version_info[:3], sep='.')"
        done = subprocess.run([path, "-c", ask], capture_output=True, text=True, check=False)
        version = done.stdout.strip()
        if done.returncode == 0 and tuple(map(int, version.split(".")))[:2] >= VERSION_MIN:
            found.setdefault(version, path)
    return found


def digests_elsewhere(python: str, hash_seed: str, first: int, count: int) -> list[str] | str:
    """The digests as another process finds them, or the last line that it said instead. Another Python borrows the
    libraries of this one, which are pure Python as far as a store needs them."""
    folders = [Path(file).parent.parent for file in (simfs.__file__, sortedcontainers.__file__)]
    surroundings = {**os.environ, "PYTHONHASHSEED": hash_seed, "PYTHONPATH": os.pathsep.join(map(str, folders))}
    words = [python, "-c", f"from tests.goals.rows import same; same.print_digests({first}, {count})"]
    done = subprocess.run(words, capture_output=True, text=True, env=surroundings, cwd=places.ROOT, check=False)
    return done.stdout.split() if done.returncode == 0 else (done.stderr.strip().splitlines() or ["nothing"])[-1]


def print_digests(first: int, count: int) -> None:
    print(*(digest(number) for number in range(first, first + count)))


def digest_parts(cases: int) -> Iterable[str]:
    places = [f"Python {version}; hash seed {seed}" for seed in HASH_SEEDS for version in pythons()]
    places.append("2 processes; a pool")
    size = max(2, min(BATCH, cases // len(places)))
    for number, count in enumerate(shares(cases, size)):
        first = number // len(places) * size
        yield f"{places[number % len(places)]}; walks {first} to {first + count}"


def run_digests(part: str) -> Outcome:
    where, how, which = part.split("; ")
    _, first, _, end = which.split()
    numbers = range(int(first), int(end))
    wanted = [digest(number) for number in numbers]
    found: list[str] | str
    if where.startswith("Python"):
        found = digests_elsewhere(pythons()[where.split()[1]], how.split()[-1], numbers.start, len(numbers))
    else:
        with ProcessPoolExecutor(int(where.split()[0])) as pool:
            found = list(pool.map(digest, numbers))
    outcome = Outcome()
    if isinstance(found, str):
        outcome.notes.append(f"{where} skipped: {found}")
        return outcome
    outcome.tried = len(found)
    outcome.counts[where] += len(found)
    for number, one, other in zip(numbers, wanted, found, strict=True):
        if one != other:
            outcome.violated(f"{where}; {how}; walks {number} to {number + 1}", f"{other} here, {one} there")
    return outcome


# Row 18


class AskedPlan(FaultHooks):
    """A plan of no faults: a flash that has one takes none of its quick paths."""


def read_unlisted(flash: Any, layout: Any, blocks: Sequence[int]) -> list[Any]:
    """The seals as if they listed no runs: the frames have to be read."""
    listings = read_listings(flash, layout, blocks)
    return [None if found is None else found._replace(entries=None) for found in listings]


def read_one_unlisted(flash: Any, layout: Any, block: int) -> Any:
    return read_unlisted(flash, layout, (block,))[0]


def in_order(of: Any, blocks: Any) -> list[Any]:
    """All runs sorted one by one, although one head's blocks follow each other."""
    single = [
        (base, start, [entry], tuple({entry} & {*others}))
        for base, start, entries, others in blocks
        for entry in entries
    ]
    return sorted(single, key=lambda block: block[0] + order_of(block[2][0]))


def room_for(self: Room, waiting: int) -> int:
    return self._layout.cost(waiting) + 2 * self._layout.hole_cost if waiting else 0


def unhurried_log() -> Any:
    made = log.Log.__init__

    def init(self: log.Log, *arguments: Any) -> None:
        made(self, *arguments)
        self._page_bytes = 1  # no frame fits: each goes through `program`

    return patch.object(log.Log, "__init__", init)


def uncached_names() -> Any:
    made = Store.__init__

    def init(self: Store, volume: Any) -> None:
        made(self, volume)
        self._encode = self.name_rules.encode

    return patch.object(Store, "__init__", init)


class Unlike(list[str]):
    """Names that are never those of the last time."""

    def __ne__(self, other: object) -> bool:
        return True


def names_anew() -> Any:
    from simfs.replay.device.task_files import DeviceTask

    listed = DeviceTask.names
    return patch.object(DeviceTask, "names", lambda self, prefix: Unlike(listed(self, prefix)))


def take_one(scanner: Any, at: int) -> int:
    """What a scan takes at an address, if it takes one frame at a time."""
    frame, found = scanner.frame_at(at), scanner.found
    if frame is None:
        return at
    scanner._note_gap(at)
    found.frames.append(frame)
    found.end = at + scanner.layout.pitch(frame.length)
    found.stops.append(found.end)
    if frame.kind == codec.SKIP:
        found.skips[at] = codec.U32.unpack_from(scanner.raw, at + codec.HEADER_BYTES)[0]
    return int(found.end)


def frame_by_frame() -> Any:
    return patch.object(scan._Scanner, "_take_frames", take_one)


FLASH_USERS = ("tests.goals.rows.random_work", "tests.goals.scenarios")
SLOW_PATHS: dict[str, Callable[[], Iterable[Any]]] = {
    "flash": lambda: [patch(f"{user}.NorFlash", partial(NorFlash, faults=AskedPlan())) for user in FLASH_USERS],
    "append": lambda: [unhurried_log()],
    "fits": lambda: [patch.object(log.Log, "plainly_fits", lambda self, payload_bytes: False)],
    "names": lambda: [uncached_names(), patch("simfs.files.store.MODES", {})],
    "rotation": lambda: [names_anew()],
    "struct cache": lambda: [patch.object(codec, "_whole_frame", codec._whole_frame.__wrapped__)],
    "listings": lambda: [
        patch.object(look, "read_listings", read_unlisted),
        patch.object(scan, "read_listing", read_one_unlisted),
    ],
    "frames in a row": lambda: [frame_by_frame()],
    "order": lambda: [patch.object(replayed, "_in_order", in_order)],
    "costs": lambda: [patch.object(Room, "room_for", room_for)],
    "layouts": lambda: [
        patch.object(module, "layout_of", layout.layout_of.__wrapped__) for module in (setup, state, ruling)
    ],
    "settings": lambda: [patch.object(module, "config_of", setup.config_of.__wrapped__) for module in (survey, ruling)],
    "stretches": lambda: [patch(f"{__name__}.PLAIN", True), patch.object(Store, "stretch", lambda self, name: None)],
}


@contextmanager
def without(names: Iterable[str]) -> Iterator[None]:
    """With these caches and fast paths off."""
    with ExitStack() as stack:
        for name in names:
            for one in SLOW_PATHS[name]():
                stack.enter_context(one)
        yield


def path_parts(cases: int) -> Iterable[str]:
    """The reference scenarios with each of them off and with all off, the shipped ones with all off; and walks, one in
    two with all off."""
    scenarios = [f"{what} off; {name}" for what in ("all", *SLOW_PATHS) for name in SCENARIOS]
    scenarios[len(SCENARIOS) : len(SCENARIOS)] = [f"all off; {name}" for name in SHIPPED]
    scenarios = scenarios[: max(1, cases // 4)]
    yield from scenarios
    whats = [what for name in SLOW_PATHS for what in ("all", name)]
    size = max(2, min(BATCH, cases // len(whats)))
    for number, count in enumerate(shares(max(0, cases - len(scenarios)), size)):
        yield f"{whats[number % len(whats)]} off; walks {number * size} to {number * size + count}"


def run_paths(part: str) -> Outcome:
    what, which = part.split(" off; ")
    outcome = Outcome()
    if which in SCENARIOS or which in SHIPPED:
        compare_paths(outcome, what, which, partial(digest_of_scenario, which))
        return outcome
    _, first, _, end = which.split()
    for number in range(int(first), int(end)):
        compare_paths(outcome, what, f"walks {number} to {number + 1}", partial(digest, number, reads=False))
    return outcome


def compare_paths(outcome: Outcome, what: str, which: str, find: Callable[[], str]) -> None:
    wanted = find()
    with without(SLOW_PATHS if what == "all" else [what]):
        found = find()
    outcome.tried += 1
    outcome.counts[f"without {what}"] += 1
    if found != wanted:
        outcome.violated(f"{what} off; {which}", "other bytes")


ROWS = [
    Row(13, "same seed, same SHA-256 over Pythons, hash seeds, 1 or 2 processes", 1500, digest_parts, run_digests),
    Row(18, "caches and fast paths off: identical image bytes", 2000, path_parts, run_paths),
]
