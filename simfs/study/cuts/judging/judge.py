"""Judges the flash that a power cut left: whether the store on it keeps the durability rule."""

from __future__ import annotations

import errno
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import cast

from simfs.files import Store
from simfs.flash import Rng
from simfs.flash.datasheet import Datasheet
from simfs.flash.interrupted import Profile
from simfs.flash.trace import Change
from simfs.flash.weak import read_anew
from simfs.store import check
from simfs.store.format.config import StoreConfig
from simfs.store.format.errors import CorruptStore
from simfs.store.volume import Volume
from simfs.study.cuts.judging.file_cache import Reading
from simfs.study.cuts.judging.mount_cache import KnownMounts
from simfs.study.cuts.judging.states import Chip
from simfs.study.cuts.judging.verdicts import Violation
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import Contents
from simfs.study.cuts.notes.noted_flash import NotedFlash

Allowed = Sequence[tuple[int, Contents]]
"""The contents that may be found: those after k events, each with its k."""

TOLD = -1  # in place of k: the store said that it is damaged, where the profile allows no more
LONG_WORK_ONE_IN = 8
LONG_WORK_TURNS = 8
NAMES = ("+", "-", "=")  # of the judge's own files: even the shortest limit allows them


class Broken(Exception):
    """The store broke a promise."""


class _Told(Exception):
    """The store lost something and reported it, on a part where no store can do more."""


@dataclass(frozen=True, slots=True)
class Rules:
    """The rules for all states of a campaign. `keeps_all`: nothing acknowledged may be lost. Otherwise losses must be
    reported, which is all that a store can promise if a part spoils more than what was being programmed."""

    datasheet: Datasheet
    config: StoreConfig
    profile: Profile

    @property
    def keeps_all(self) -> bool:
        aligned = self.profile is Profile.PAGE and self.config.packing == "page"
        return self.profile is Profile.PROGRAM or aligned


@dataclass(frozen=True, slots=True)
class Verdict:
    """On one state: the k that was found (None: none that is allowed), what the recovery changed, what was broken."""

    event: int | None
    recovery: tuple[Change, ...]
    violation: Violation | None


class Judge:
    """Judges the states of one campaign. It fills two flashes in turn, and remembers what it has read before."""

    def __init__(self, rules: Rules, block_count: int) -> None:
        self.rules = rules
        self.read = Reading().contents
        self._mounts = KnownMounts(block_count)
        self._flashes = [NotedFlash.blank_one(rules.datasheet, block_count) for _ in range(2)]

    def verdict(self, chip: Chip, allowed: Allowed, cut: CutPoint) -> Verdict:
        """Judge `chip` as the cut has left it. The chip changes on the way."""
        return _Judgement(self, chip, allowed, cut).verdict()

    def mount(self, flash: NotedFlash, read_only: bool = False, last: bool = False) -> Store:
        """As `Store.mount` does. `last`: these bytes are not mounted again."""
        return Store(Volume.mount(flash, read_only, self._mounts.find_last if last else self._mounts.find))

    def flash_of(self, chip: Chip) -> NotedFlash:
        """A flash with the chip's cells, until the one after the next is asked for."""
        self._flashes.reverse()
        self._flashes[0].fill(chip.cells, chip.page_programs)
        return self._flashes[0]


class _Judgement:
    """One state, judged step by step. `step` names the promise that is being tested."""

    def __init__(self, judge: Judge, chip: Chip, allowed: Allowed, cut: CutPoint) -> None:
        self._judge, self._rules, self._read = judge, judge.rules, judge.read
        self._chip, self._allowed, self._cut = chip, allowed, cut
        self._rng = Rng(0, "judge", str(cut))
        self.step = ""
        self.event: int | None = None
        self.recovery: tuple[Change, ...] = ()

    def verdict(self) -> Verdict:
        """Test every promise, up to the first that is broken."""
        violation = None
        try:
            for step in self._steps():
                self.step = step
        except _Told:
            self.event = TOLD
        except Exception as error:
            if isinstance(error, CorruptStore) and not self._rules.keeps_all:
                self.event = TOLD
            else:
                what = str(error) if isinstance(error, Broken) else f"{type(error).__name__}: {error}"
                violation = Violation(self._cut, self.step, what)
        return Verdict(self.event, self.recovery, violation)

    def _steps(self) -> Iterator[str]:
        flash = self._judge.flash_of(self._chip)
        yield "contents"
        found = self._read_only(flash)
        yield "read-only"
        _promise(not flash.changes, f"a read-only mount made {len(flash.changes)} changes")
        yield "mount"
        store = self._judge.mount(flash)
        self.recovery = tuple(flash.changes)
        self._same(store, found, "a mount that may write finds")
        self._settle(flash)
        yield "second-mount"
        second = self._judge.mount(flash)
        self._same(second, found, "a second mount finds")
        _promise(not flash.changes, f"a second mount made {len(flash.changes)} changes")
        yield "check"
        self._check(store, second)
        yield "erase-counts"
        self._erase_counts(store)
        yield "weak"
        flash = self._flash_later()
        store = self._judge.mount(flash, last=True)
        self._same(store, found, "once weak bits read otherwise, a mount finds")
        yield "operate"
        expected = self._operate(store, dict(found))
        yield "remount"
        self._settle(flash)
        if self._rng.below(LONG_WORK_ONE_IN) == 0:
            flash = self._flash_later()
            store = self._judge.mount(flash)
            self._same(store, expected, "after the first operations, a mount finds")
            yield "operate"
            expected = self._work_long(store, expected)
            yield "remount"
            self._settle(flash)
        store = self._judge.mount(self._flash_later(), read_only=True, last=True)
        self._same(store, expected, "after some operations, a mount finds")

    def _read_only(self, flash: NotedFlash) -> Contents:
        """What a read-only mount finds."""
        store = self._judge.mount(flash, read_only=True)
        found = self._read(store)
        self.event = next((event for event, contents in self._allowed if contents == found), None)
        if self.event is None:
            self._excuse_loss(store)
            wanted = " or ".join(shown(contents, found) for _, contents in self._allowed[:4])
            raise Broken(f"found {shown(found, self._allowed[0][1])}, allowed is {wanted}")
        return found

    def _same(self, store: Store, wanted: Contents, who: str) -> None:
        found = self._read(store)
        if found != wanted:
            self._excuse_loss(store)
            raise Broken(f"{who} {shown(found, wanted)}, not {shown(wanted, found)}")

    def _excuse_loss(self, store: Store) -> None:
        if (store.doubts or store.damages) and not self._rules.keeps_all:
            raise _Told

    def _settle(self, flash: NotedFlash) -> None:
        """Take over into the chip what the flash has done."""
        self._chip.apply_all(flash.changes)
        flash.changes.clear()

    def _check(self, store: Store, second: Store) -> None:
        """As `Store.check` does, which mounts a second time too, and reads every byte again. Of the second mount every
        byte has been read."""
        state, found = store.volume.state, second.volume.state
        problems = check.invariants(state) + check.differences(state, found)
        _promise(not problems, "; ".join(problems))

    def _check_again(self, store: Store) -> None:
        """The same for a store that has changed since."""
        try:
            second = self._judge.mount(cast("NotedFlash", store.flash), read_only=True)
            self._read(second)
        except CorruptStore as error:
            raise Broken(f"after some work a mount fails, or reading what it finds: {error.strerror}") from None
        self._check(store, second)

    def _erase_counts(self, store: Store) -> None:
        cuts = self._cut.depth
        for block, (known, true) in enumerate(zip(store.erase_counts, self._chip.erased, strict=True)):
            if known < true - cuts:
                raise Broken(f"block {block} was erased {true} times, the store says {known}")

    def _flash_later(self) -> NotedFlash:
        """The flash after a time without power: weak bits read otherwise."""
        read_anew(self._chip.weak, self._chip.cells, self._rng)
        return self._judge.flash_of(self._chip)

    def _operate(self, store: Store, expected: Contents) -> Contents:
        """Create, append, update in place, rename and remove, with files of its own, since the files that were there
        may still be found damaged. `expected` follows."""
        try:
            self._write(store, expected, *NAMES)
        except OSError as error:
            self._excuse(error, store)
            for name in sorted(expected)[:1]:
                store.remove(name)
                del expected[name]
        return expected

    def _work_long(self, store: Store, expected: Contents) -> Contents:
        """Remove a file that was there, and write more than a small block holds."""
        for name in sorted(expected)[:1]:
            store.remove(name)
            del expected[name]
        for turn in range(LONG_WORK_TURNS):
            try:
                self._write(store, expected, *NAMES[turn % 3 :], *NAMES[: turn % 3])
            except OSError as error:
                self._excuse(error, store)
        self._check_again(store)
        return expected

    def _write(self, store: Store, expected: Contents, first: str, renamed: str, removed: str) -> None:
        """Every kind of change once. `expected` follows each as soon as it is durable."""
        for name in (first, removed):
            with store.open(name, "w") as file:
                expected[name] = b""
                file.write(b"written after it" * 2)
            expected[name] = b"written after it" * 2
        with store.open(first, "a") as file:
            file.write(b", appended")
        expected[first] += b", appended"
        with store.open(first, "r+") as file:
            file.write(b"W")
        expected[first] = b"W" + expected[first][1:]
        store.rename(first, renamed)
        expected[renamed] = expected.pop(first)
        store.remove(removed)
        del expected[removed]

    def _excuse(self, error: OSError, store: Store) -> None:
        """Accept a refusal for want of room if there is none."""
        if error.errno != errno.ENOSPC:
            raise error
        usage = store.usage()
        left = usage.capacity_bytes - usage.live_bytes
        frame = 2 * (self._rules.config.name_bytes + store.volume.state.layout.full_cost)
        _promise(left < 4 * frame, f"{error} with {left} bytes of room")


def _promise(holds: bool, what: str) -> None:
    if not holds:
        raise Broken(what)


def shown(contents: Contents, other: Contents) -> str:
    """The files of `contents` that differ in `other`, in a few words."""
    parts = [
        f"{name!r} ({len(data)} bytes{_first_difference(data, other.get(name))})"
        for name, data in sorted(contents.items())
        if other.get(name) != data
    ]
    return ", ".join(parts[:6]) or f"{len(contents)} files alike"


def _first_difference(data: bytes, other: bytes | None) -> str:
    if other is None:
        return ""
    at = next((at for at, (a, b) in enumerate(zip(data, other, strict=False)) if a != b), min(len(data), len(other)))
    return f", from {at} on {data[at : at + 8].hex() or 'nothing'}"
