"""Row 24: one bit of a store has flipped, any bit. A read-only mount gives every file that does not have it in its own
frames, exact to the byte, and names each that is damaged. That one is exact, or EIO where it is hurt.

One case can't be decided and is published: of the newest frame a flipped bit may look like a program that a power cut
tore; then the store may be as it was before that frame, and as nothing else.

Left out, and counted: of a file whose newest claim on its name is hit, which says its size as well, or the header of
one of its frames, which says where the next one begins, bytes that are not hit may be EIO too; none is wrong.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache, partial
from itertools import groupby

from simfs import CorruptStore, Store
from simfs.store.format.codec import HEADER_BYTES
from tests.goals.rows.damaged_blocks import must_say_what_helps
from tests.goals.table import Outcome, Row, attempt
from tests.goals.told import Names, Wrong, names_in
from tests.goals.units import LIVES, OTHERS, Refused, Unit, unit
from tests.support.own_frames import own_frames
from tests.support.rotten_files import Files, files_of, is_told

BITS = 131_072  # of the 16 KiB store
SPARSE = 97  # of the others every so manieth bit
GOAL = BITS + 12_300
WRITABLE_ONE_IN = 8
BITS_PER_PART = 500


class Judge:
    """A sound unit, with the frames of each file."""

    def __init__(self, of: Unit) -> None:
        self.unit = of
        self.own = own_frames(of.flash(of.image))
        if self.own.keys() != of.files.keys():
            raise Wrong("the frames on the flash are not those of the files")

    def read_only(self, bit: int) -> str:
        """What came of a flipped bit. Wrong when a promise is broken."""
        at = bit // 8
        store = Store.mount(self.unit.flash(self._flipped(bit)), read_only=True)
        found, said = files_of(store), names_in(store.damages)
        if at in self.unit.newest and self._is_before(found):
            return "as before the newest frame"
        outcomes = {self._of_file(store, name, found, at, said) for name in self.unit.files.keys() | found.keys()}
        return next((outcome for outcome in OUTCOMES if outcome in outcomes), "exact")

    def _of_file(self, store: Store, name: str, found: Files, at: int, said: Names) -> str:
        right, own = self.unit.files.get(name), self.own.get(name)
        hit = own is not None and own.hit(at, at + 1)
        if name in found and name in self.unit.files and found[name] == right:
            if name in said.hurt and not hit:
                raise Wrong(f"{name} is sound, and is said to be damaged")
            return "exact"
        if own is not None and not hit:
            raise Wrong(f"{name} is sound, and reads otherwise")
        if right is not None and name in found and found[name] is None:
            if name not in said.hurt:
                raise Wrong(f"reading {name} says that it is damaged, and no damage names it")
            self._other_bytes_are_exact(store, name, at)
            return "told"
        if name in said.hurt | said.maybe:
            return "older or shorter, and said to be"
        if own is not None and name not in found and at in own.claim and said.covers(at):
            return "without its name, and said to be"
        raise Wrong(f"without a word {name} is {'there again' if own is None else 'not what it was'}")

    def _other_bytes_are_exact(self, store: Store, name: str, at: int) -> None:
        right, hurt = self.unit.files[name], self.own[name].hurt(at, at + 1)
        with store.open(name) as file:
            for is_hurt, group in groupby(range(len(right)), hurt.__getitem__):
                places = list(group)
                if is_hurt:
                    continue
                file.seek(places[0])
                try:
                    found = file.read(len(places))
                except CorruptStore:
                    if not self._hits_what_leads_on(name, at):
                        raise
                    continue
                if found != right[places[0] : places[-1] + 1]:
                    raise Wrong(f"{name} is wrong from byte {places[0]} on, where nothing hit it")

    def _hits_what_leads_on(self, name: str, at: int) -> bool:
        own = self.own[name]
        return at in own.claim or any(frame.start <= at < frame.start + HEADER_BYTES for frame in own.holders)

    def writable(self, bit: int) -> str:
        """A mount that may write refuses, and says what helps; or it goes on, and then nothing is missing but what says
        so."""
        image = self._flipped(bit)
        flash = self.unit.flash(image)
        try:
            store = Store.mount(flash)
        except CorruptStore as error:
            must_say_what_helps(error)
            if flash.image() != image:
                raise Wrong("a mount refuses, and has written before") from None
            return "refused"
        found = files_of(store)
        if found == self.unit.files:
            return "exact"
        if is_told(found, self.unit.files):
            return "told"
        if bit // 8 in self.unit.newest and self._is_before(found):
            return "as before the newest frame"
        raise Wrong("a mount that may write shows other files without a word")

    def _is_before(self, found: Files) -> bool:
        return found == self.unit.before or is_told(found, self.unit.before)

    def _flipped(self, bit: int) -> bytes:
        image = bytearray(self.unit.image)
        image[bit // 8] ^= 1 << bit % 8
        return bytes(image)


OUTCOMES = ("without its name, and said to be", "older or shorter, and said to be", "told")


@cache
def judge_of(name: str) -> Judge:
    return Judge(unit(name))


def parts(cases: int) -> Iterator[str]:
    """Every so manieth bit of the 16 KiB store, and fewer of each of the others; of every eighth of them also what a
    mount does that may write."""
    step = max(1, round(GOAL / cases))
    for name in (*OTHERS, *LIVES):
        sparse = step * (1 if name in OTHERS else SPARSE)
        try:
            bits = 8 * len(unit(name).image)
        except Exception:
            bits = 1  # the part says why
        for first in range(0, bits, BITS_PER_PART * sparse):
            yield f"{name}; bits {first} to {min(first + BITS_PER_PART * sparse, bits)} step {sparse}"


def run(part: str) -> Outcome:
    name, which, *how = part.split("; ")
    outcome = Outcome()
    try:
        judge = judge_of(name)
    except Refused:
        outcome.notes.append(f"{name} left out: no such store fits")
        return outcome
    _, first, _, end, _, step = which.split()
    for number, bit in enumerate(range(int(first), int(end), int(step))):
        case = f"{name}; bits {bit} to {bit + 1} step 1"
        if how != ["writable"]:
            attempt(outcome, f"{case}; read-only", partial(judge.read_only, bit))
        if how == ["writable"] or (not how and number % WRITABLE_ONE_IN == 0):
            attempt(outcome, f"{case}; writable", partial(judge.writable, bit))
    return outcome


ROWS = [Row(24, "any bit flipped: every file that it does not hit is read, exact to the byte", GOAL, parts, run)]
