"""Cuts the power in a story everywhere, without running anything twice: each cut image is built from the story's notes.

What a cut program may leave: any part of the bits that it was to clear (fault profile "program-contained"). What a cut
erase may leave: first the block is programmed to zeros, then its bits rise. All of these cells may also read
differently from one mount to the next, until the block is erased again.
"""

from __future__ import annotations

import errno
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from random import Random

from power_story import Change, Contents, Notes, Story, read_all

from simfs import NorFlash, PowerCut, Store


@dataclass(frozen=True)
class Cut:
    """A cut in change number `at`. `how` and `seed` say what it leaves; printed, it is enough to see it again."""

    at: int
    how: str
    seed: int = 0


def rare(random: Random) -> int:
    """A byte in which each bit is set with a chance of one in eight."""
    return random.randrange(256) & random.randrange(256) & random.randrange(256)


def leave(cells: bytearray | memoryview, change: Change, block_bytes: int, how: str, random: Random) -> None:
    """What the cut change leaves in its cells."""
    kind, _, amount = how.partition(" ")
    start = change.address
    if change.data is not None:
        data = change.data
        if kind == "bytes":
            data = data[: int(amount)]
        elif kind == "bits":
            data = bytes(byte | random.randrange(256) for byte in data)
        elif kind == "few":  # an eighth of the bits
            data = bytes(byte | rare(random) ^ 255 for byte in data)
        elif kind == "most":  # all but an eighth
            data = bytes(byte | rare(random) for byte in data)
        elif kind == "nothing":
            data = b""
        else:
            assert kind == "all"
        for at, byte in enumerate(data, start):
            cells[at] &= byte
        return
    old = bytes(cells[start : start + block_bytes])
    share = block_bytes * int(amount or 0) // 100
    new = {
        "nothing": old,
        "zeros": bytes(share) + old[share:],
        "rising": b"\xff" * share + bytes(block_bytes - share),
        "raised": b"\xff" * share + old[share:],
        "mixed": bytes(random.randrange(256) for _ in range(block_bytes)),
        "few": bytes(byte & ~rare(random) for byte in old),
        "weak": bytes(255 if random.randrange(64) else 255 ^ 1 << random.randrange(8) for _ in range(block_bytes)),
        "all": b"\xff" * block_bytes,
    }[kind]
    cells[start : start + block_bytes] = new


class Weak:
    """The bits that interrupted changes left weak: each may read as 0 or as 1 at any mount. A complete program makes
    the bits that it clears sound, a complete erase the whole block."""

    def __init__(self, size_bytes: int, block_bytes: int) -> None:
        self.block_bytes = block_bytes
        self.mask = bytearray(size_bytes)
        self.regions: list[tuple[int, int]] = []  # (from, to) of each interrupted change

    def copy(self) -> Weak:
        other = Weak(len(self.mask), self.block_bytes)
        other.mask[:], other.regions = self.mask, list(self.regions)
        return other

    def interrupt(self, change: Change) -> None:
        wanted = bytes(self.block_bytes) if change.data is None else change.data
        for at, byte in enumerate(wanted, change.address):
            self.mask[at] |= 255 ^ byte
        self.regions.append((change.address, change.address + len(wanted)))

    def complete(self, changes: Iterable[Change]) -> None:
        for change in changes:
            kept = bytes(self.block_bytes) if change.data is None else change.data
            for at, byte in enumerate(kept, change.address):
                self.mask[at] &= byte

    def read_otherwise(self, image: bytearray, random: Random) -> None:
        """Let all weak bits read anew."""
        for start, end in self.regions:
            zeros = random.choice((0.0, 0.01, 0.5, 0.99, 1.0))
            for at in range(start, end):
                if mask := self.mask[at]:
                    ones = sum((random.random() >= zeros) << bit for bit in range(8))
                    image[at] = image[at] & ~mask & 255 | ones & mask


class Fault(AssertionError):
    """The store broke its promise."""


def promise(holds: bool, text: str) -> None:
    if not holds:
        raise Fault(text)


class Aftermath:
    """The flash after a cut, and what is expected of the store on it."""

    def __init__(
        self, story: Story, image: bytes, weak: Weak, allowed: list[Contents], erased: list[int], cuts: int
    ) -> None:
        self.story, self.image, self.weak, self.allowed = story, bytearray(image), weak, allowed
        self.erased, self.cuts = erased, cuts

    def flash(self, faults: Notes | None = None) -> NorFlash:
        return NorFlash.from_image(self.image, datasheet=self.story.setting.sheet(), faults=faults)

    def recover(self) -> tuple[NorFlash, Store, Contents, Notes]:
        """Mount read-only, then to write."""
        notes = Notes()
        flash = self.flash(notes)
        left = read_all(Store.mount(flash, read_only=True))
        promise(flash.image() == bytes(self.image), "a read-only mount wrote")
        promise(left in self.allowed, f"read only: {shown(left)} is none of {[shown(one) for one in self.allowed]}")
        store = Store.mount(flash)
        found = read_all(store)
        promise(found == left, f"read only {shown(left)}, to write {shown(found)}")
        problems = store.check()
        promise(not problems, f"check: {problems}")
        counts = zip(store.erase_counts, self.erased, flash.erase_counts, strict=True)
        for block, (known, before, now) in enumerate(counts):
            promise(known >= before + now - self.cuts, f"block {block}: erase count {known}, truly {before + now}")
        return flash, store, found, notes

    def second_mount(self, flash: NorFlash, found: Contents, random: Random) -> tuple[Store, Notes]:
        """The same contents, whatever the weak cells read as now. Nothing is written while they read as before."""
        self.image[:] = flash.image()
        again = self.flash()
        Store.mount(again)
        promise(again.image() == bytes(self.image), "a second mount wrote")
        self.weak.read_otherwise(self.image, random)
        notes = Notes()
        store = Store.mount(self.flash(notes))
        second = read_all(store)
        promise(second == found, f"first mount {shown(found)}, second {shown(second)}")
        return store, notes

    def go_on(self, store: Store, notes: Notes, found: Contents, random: Random) -> None:
        """Every operation works, and weak cells spoil nothing later on either."""
        expected = dict(found)
        for turn in range(3):
            if self._work(store, expected, turn):
                problems = store.check()
                promise(not problems, f"check after going on: {problems}")
            self.weak.complete(notes.changes)
            self.image[:] = store.flash.image()
            self.weak.read_otherwise(self.image, random)
            notes = Notes()
            store = Store.mount(self.flash(notes))
            left = read_all(store)
            promise(left == expected, f"turn {turn} of going on left {shown(left)}, not {shown(expected)}")

    @staticmethod
    def _work(store: Store, expected: Contents, turn: int) -> bool:
        """A little, then much."""
        if turn == 1:
            for name in list(expected)[:1]:
                store.remove(name)
                del expected[name]
        for number in range(1 + 8 * turn):
            name, data = f"new {number % 3}", bytes([number]) * 60
            try:
                with store.open(name, "w") as file:
                    expected[name] = b""
                    file.write(data)
                expected[name] = data
                if number % 4 == 3:
                    store.rename(name, "new")
                    expected["new"] = expected.pop(name)
            except OSError as error:
                promise(error.errno == errno.ENOSPC, str(error))
        return turn > 0


def shown(contents: Contents) -> str:
    return "{" + ", ".join(f"{name}: {len(data)} {data[:6].hex()}" for name, data in sorted(contents.items())) + "}"


def cuts_of(change: Change, random: Random, dense: bool) -> Iterator[str]:
    """What a cut in this change may leave."""
    if change.data is None:
        yield from ("nothing", "zeros 40", "zeros 100", "rising 30", "raised 50", "mixed", "few", "weak", "all")
        return
    length = len(change.data)
    yield from ("nothing", "all", "bits", "few", "most")
    places = {1, 2, length // 2, length - 1, *range(0, length, 1 if dense else 5)}
    for count in sorted(place for place in places if 0 < place < length):
        yield f"bytes {count}"


def judge(story: Story, cut: Cut, images: list[bytes], erased: list[list[int]], second: bool) -> None:
    """One cut, or a second one in the recovery from it too."""
    random = Random(f"{cut}")
    block_bytes = story.setting.flash["block_bytes"]
    change = story.changes[cut.at]
    image = bytearray(images[cut.at])
    weak = Weak(len(image), block_bytes)
    weak.interrupt(change)
    leave(image, change, block_bytes, cut.how, random)
    wear = list(erased[cut.at])
    if change.data is None:
        wear[change.address // block_bytes] += 1
    after = Aftermath(story, bytes(image), weak, story.allowed(change), wear, 1)
    flash, _, found, notes = after.recover()
    if second:
        for at in range(len(notes.changes)):
            judge_second(after, at, random)
    weak.complete(notes.changes)
    store, later = after.second_mount(flash, found, random)
    after.go_on(store, later, found, random)


def judge_second(first: Aftermath, at: int, random: Random) -> None:
    """The recovery is cut as well, in its change number `at`. The cells of the first cut read the same until the second
    recovery is done; then those of both read anew."""
    block_bytes = first.story.setting.flash["block_bytes"]
    how = ""

    def damage(cells: memoryview, change: Change) -> None:
        nonlocal how
        weak.complete(notes.changes[:-1])
        weak.interrupt(change)
        how = random.choice(list(cuts_of(change, random, dense=False)))
        leave(cells, change, block_bytes, how, random)

    weak = first.weak.copy()
    notes = Notes(cut_at=at, damage=damage)
    flash = first.flash(notes)
    try:
        Store.mount(flash)
    except PowerCut:
        pass
    else:
        return
    image = bytearray(flash.image())
    wear = [before + now for before, now in zip(first.erased, flash.erase_counts, strict=True)]
    try:
        after = Aftermath(first.story, bytes(image), weak, first.allowed, wear, 2)
        flash, _, found, third = after.recover()
        weak.complete(third.changes)
        store, later = after.second_mount(flash, found, random)
        after.go_on(store, later, found, random)
    except Exception as error:
        raise Fault(f"second cut in change {at} of the recovery ({how}): {type(error).__name__}: {error}") from error


def images_before(story: Story) -> tuple[list[bytes], list[list[int]]]:
    """The flash before each change, and how often each block was erased by then."""
    block_bytes = story.setting.flash["block_bytes"]
    cells = bytearray(story.image)
    erased = [0] * story.setting.flash["block_count"]
    images, wear = [], []
    for change in story.changes:
        images.append(bytes(cells))
        wear.append(list(erased))
        leave(cells, change, block_bytes, "all", Random(0))
        if change.data is None:
            erased[change.address // block_bytes] += 1
    return images, wear


def violations(
    story: Story, cuts: Iterable[Cut], second: bool = False, most: int = 20
) -> tuple[int, list[tuple[Cut, str]]]:
    """Judge all cuts; how many there were, and those that broke the promise."""
    images, wear = images_before(story)
    broken: list[tuple[Cut, str]] = []
    count = 0
    for cut in cuts:
        count += 1
        try:
            judge(story, cut, images, wear, second)
        except Exception as error:
            broken.append((cut, f"{type(error).__name__}: {error}"))
            if len(broken) >= most:
                break
    return count, broken


def all_cuts(story: Story, first: int = 0, dense: bool = False) -> Iterator[Cut]:
    for at, change in enumerate(story.changes[first:], first):
        for seed, how in enumerate(cuts_of(change, Random(at), dense)):
            yield Cut(at, how, seed)
