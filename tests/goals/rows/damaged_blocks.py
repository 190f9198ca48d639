"""Row 22: a block of a returned unit is blank, zeroed, in the place of another, or as it was long ago. `simfs image`
says so, names the files, and never passes anything off as what it was.

Nobody can tell an image that the flash really had from the store as it was at that time. Such a case is counted, and
has to be taken for sound, like what a power cut leaves.

Left out, and counted: where the newest block is zeroed, or has older content, and the log had left the block before
without a seal, an erase that was cut leaves the same. Then the store may be as it was before that block, and as nothing
else. Where it is zeroed behind a sealed block, chips that fail and cuts together leave the same: that is told, and a
mount to write goes on. Left out too: two blocks swapped where no third one was ever used; nothing is at its place then.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from math import ceil
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from simfs import CorruptStore, Store
from tests.goals.table import Outcome, Row
from tests.goals.told import Dump, Names, NotFound, Told, Wrong, ask, names_in
from tests.goals.units import LIVES, Refused, Unit, unit
from tests.support.own_frames import OwnFrames, own_frames
from tests.support.rotten_files import Files, files_of, is_told

GOAL = 2_070
CASES_MAX = 400  # of a unit
OLDER_MAX = 20  # versions of a block
CASES_PER_PART = 40
PROGRAM_BYTES = 0x2400  # of the dump, before the store
BEHIND_BYTES = 0x300


@dataclass(frozen=True)
class Case:
    """`how` a block is damaged: "sound", "blank", "zeroed", "swapped" with block `other`, "older": as in the kept image
    `other`."""

    how: str
    block: int = 0
    other: int = 0

    def __str__(self) -> str:
        return f"{self.how} {self.block} {self.other}"

    @classmethod
    def parse(cls, text: str) -> Case:
        how, block, other = text.split()
        return cls(how, int(block), int(other))

    def image(self, of: Unit) -> bytes:
        size = of.block_bytes
        blocks = [of.image[at : at + size] for at in range(0, len(of.image), size)]
        if self.how == "swapped":
            blocks[self.block], blocks[self.other] = blocks[self.other], blocks[self.block]
        elif self.how == "older":
            blocks[self.block] = of.kept[self.other][self.block * size : (self.block + 1) * size]
        elif self.how != "sound":
            blocks[self.block] = {"blank": b"\xff", "zeroed": b"\0"}[self.how] * size
        return b"".join(blocks)

    def is_like_a_cut_erase(self, of: Unit) -> bool:
        """Whether the flash has been so but for this block, which was blank."""
        return self.how in ("zeroed", "older") and of.was_once(Case("blank", self.block).image(of))


def cases_of(of: Unit) -> list[Case]:
    """Every case that changes something, and the sound image itself."""
    blocks = range(of.block_count)
    cases = [Case(how, block) for how in ("blank", "zeroed") for block in blocks]
    cases += [Case("swapped", *pair) for pair in combinations(blocks, 2)]
    cases += [Case("older", block, kept) for block in blocks for kept in _older(of, block)]
    if not any(was_used(of, block) for block in blocks[2:]):
        cases.remove(Case("swapped", 0, 1))
    return [Case("sound"), *(case for case in cases if case.image(of) != of.image)]


def was_used(of: Unit, block: int) -> bool:
    """Whether the block was ever used."""
    size = of.block_bytes
    return bool(of.image[block * size : (block + 1) * size].strip(b"\xff"))


def _older(of: Unit, block: int) -> list[int]:
    """Kept images in which the block was different each time, the newest ones and some of the rest."""
    size = of.block_bytes
    first: dict[bytes, int] = {}
    for number, image in enumerate(of.kept):
        first[image[block * size : (block + 1) * size]] = number
    found = sorted(first.values())
    rest, newest = found[:-6], found[-6:]
    return rest[:: ceil(len(rest) / (OLDER_MAX - 6)) or 1] + newest


def judge(of: Unit, case: Case, directory: Path) -> str:
    """What came of a case: first what a mount finds, then what the commands say. Wrong when a promise is broken."""
    image = case.image(of)
    was_once = of.was_once(image)
    try:
        store = Store.mount(of.flash(image), read_only=True)
    except CorruptStore as error:
        raise Wrong(f"the whole store is refused: {error.strerror}") from None
    found, said = files_of(store), names_in(store.damages)
    if was_once and said.places:
        raise Wrong(f"the flash really had this state, and a mount says: {said}")
    in_erase = not was_once and not said.certain and case.is_like_a_cut_erase(of)
    if in_erase:
        _judge_as_cut(of, found, case)
        _judge_as_cut(of, files_of(Store.mount(of.flash(image))), case)
    elif not was_once:
        _judge_writable(of, image, said)
    if not was_once and (said.places or not in_erase):
        _judge_files(of, found, said, case)
    path = directory / "dump.bin"
    path.write_bytes(Random(0).randbytes(PROGRAM_BYTES) + image + bytes(BEHIND_BYTES))
    try:
        told = ask(Dump(path, PROGRAM_BYTES, PROGRAM_BYTES + len(image), told=case.how == "swapped"))
    except NotFound:
        return "refused: no block of it says that it begins there"
    _judge_commands(of, found, said, told, was_once or (in_erase and not said.places))
    if in_erase:
        return _of_an_erase(of, found, said)
    if was_once:
        return "sound" if case.how == "sound" else "as it once was"
    return _outcome(of, found, said)


def _of_an_erase(of: Unit, found: Files, said: Names) -> str:
    if said.places:
        return "told as older, and a mount to write goes on"
    return "nothing that counts was hit" if found == of.files else "as a cut erase leaves it"


def _outcome(of: Unit, found: Files, said: Names) -> str:
    if not said.places:
        return "nothing that counts was hit"
    if found == of.files:
        return "told, nothing lost"
    return "told, files named" if said.hurt else "told as older or shorter"


def _judge_files(of: Unit, found: Files, said: Names, case: Case) -> None:
    """A file without frames in the block is exact. One that is not what it was is named; what can't be read is named
    as damaged. Of a file that has lost its name in the block nobody knows it: then a damage has to be told at least."""
    own, size = frames_of(of), of.block_bytes
    blocks = {case.block, case.other} if case.how == "swapped" else {case.block}
    nameless = {name for name, frames in own.items() if frames.claim.start // size in blocks and name not in found}
    for name in sorted(of.files.keys() | found.keys()):
        if name in found and found[name] == of.files.get(name):
            continue
        shown = _size(found[name]) if name in found else "gone"
        what = f"{name} of {_size(of.files.get(name))} is {shown}, and it is said: {said}"
        if name in own and not any(own[name].hit(block * size, (block + 1) * size) for block in blocks):
            raise Wrong(f"sound, and not given: {what}")
        if name in nameless and said.places:
            continue
        if name not in (said.hurt if name in found and found[name] is None else said.hurt | said.maybe):
            raise Wrong(f"without a word: {what}")


def _judge_as_cut(of: Unit, found: Files, case: Case) -> None:
    """The store is as it was when the block had just been erased."""
    if found != files_of(Store.mount(of.flash(Case("blank", case.block).image(of)), read_only=True)):
        raise Wrong("neither what it was, nor what it was before the block was erased")


def _judge_writable(of: Unit, image: bytes, said: Names) -> None:
    """A mount that may write refuses, or has nothing to say."""
    flash = of.flash(image)
    try:
        found = files_of(Store.mount(flash))
    except CorruptStore as error:
        must_say_what_helps(error)
        if not said.places or flash.image() != image:
            raise Wrong("a mount refuses what a read-only one calls sound, or has written before") from None
    else:
        if not is_told(found, of.files):
            raise Wrong(f"a mount that may write goes on, and a read-only one says: {said}")


def _judge_commands(of: Unit, found: Files, said: Names, told: Told, was_once: bool) -> None:
    """The commands say what the mount says, and what they give for sound is what it gives. What is left besides is
    right, or marked as damaged, or may be older."""
    if (told.said.hurt, told.said.maybe) != (said.hurt, said.maybe):
        raise Wrong(f"a mount says: {said}; verify says: {told.said}")
    if told.files != {name: data for name, data in found.items() if data is not None}:
        raise Wrong("extract gives other files than a mount")
    if not was_once and told.sound and found != of.files:
        raise Wrong("verify calls it sound, and bytes are missing")
    for name, data in told.left.items():
        if not was_once and data != of.files.get(name) and name not in told.marked | said.maybe:
            raise Wrong(f"extract --damaged gives {name} for sound, and it is not what it was")


@cache
def frames_of(of: Unit) -> dict[str, OwnFrames]:
    return own_frames(of.flash(of.image))


def must_say_what_helps(error: CorruptStore) -> None:
    if "0x" not in str(error) or "simfs image extract" not in str(error):
        raise Wrong(f"a refusal without a place, or without what helps: {error}")


def _size(data: bytes | None) -> str:
    return "nothing" if data is None else f"{len(data)} bytes"


def parts(cases: int) -> Iterator[str]:
    """Every so manieth case of each unit."""
    step = max(1, round(GOAL / cases))
    for name in LIVES:
        for first in range(step // 2, CASES_MAX, CASES_PER_PART * step):
            yield f"{name}; cases {first} to {first + CASES_PER_PART * step} step {step}"


def run(part: str) -> Outcome:
    name, which = part.split("; ")
    outcome = Outcome()
    try:
        of = unit(name)
    except Refused:
        outcome.notes.append(f"{name} left out: no such store fits")
        return outcome
    if which.startswith("cases"):
        _, first, _, end, _, step = which.split()
        chosen = cases_of(of)[int(first) : int(end) : int(step)]
    else:
        chosen = [Case.parse(which)]
    for case in chosen:
        outcome.tried += 1
        with TemporaryDirectory() as directory:
            try:
                outcome.counts[f"{case.how}: {judge(of, case, Path(directory))}"] += 1
            except Exception as error:
                outcome.violated(f"{name}; {case}", error)
    return outcome


ROWS = [Row(22, "a block blank, zeroed, swapped or older: told, and the files named", GOAL, parts, run)]
