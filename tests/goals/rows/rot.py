"""Row 6: after a power cut single bits have flipped as well. What is read then is exact, or an explicit error, or named
as damage.

As after any flip, one case can't be decided: of the newest frame a flipped bit may look like a torn program; then the
store may be as it was before that frame, and as nothing else. On parts where nothing can be programmed over, the same
holds for the ruling statement: the store may then be as it was before that, and says where it doubts.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial
from itertools import islice
from math import ceil
from random import Random

from simfs import CorruptStore, NorFlash, Store
from simfs.flash.interrupted import Profile
from simfs.store.format.codec import FRAME_BYTES
from simfs.store.format.layout import layout_of
from simfs.store.format.settings import config_of
from simfs.store.mounting.block_reader import PLAINLY
from simfs.store.mounting.ruling import find_ruling
from simfs.study.cuts.judging.states import Chip, every_operation
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import Contents, History
from tests.goals.rows.cuts import history_of
from tests.goals.scenarios import SCENARIOS
from tests.goals.table import Outcome, Row, attempt, shares
from tests.support.on_flash import frames_on
from tests.support.rotten_files import files_of, is_excused, is_told

GOAL = 225_000
FLIPS = 50  # in each state that a cut left
CUTS_PER_PART = 20
WRITABLE_ONE_IN = 5


class Wrong(AssertionError):
    """Something was read that is not there."""


class Rotten:
    """What a cut left, and what may be found on it. `before`: that without the newest frame."""

    def __init__(self, history: History, cut: CutPoint, chip: Chip) -> None:
        self.datasheet = history.datasheet
        self.image = bytes(chip.cells)
        first, last = history.allowed(cut.operation)
        self.allowed = [history.contents_after(event) for event in range(first, last + 1)]
        self.before = history.contents_after(max(first - 1, 0))
        self.newest = newest_frame(self.flash(self.image))
        self.statement = ruling_statement(self.flash(self.image))
        self.earlier = [history.contents_after(event) for event in range(first)] if self.statement else []
        self.places = live_places(self.flash(self.image))

    def flash(self, image: bytes | bytearray) -> NorFlash:
        return NorFlash.from_image(image, datasheet=self.datasheet)

    def judge(self, address: int, bit: int, writable: bool) -> str:
        image = bytearray(self.image)
        image[address] ^= 1 << bit
        flash = self.flash(image)
        try:
            store = Store.mount(flash, read_only=not writable)
            found, damages = files_of(store), store.damages
            if writable and files_of(Store.mount(flash)) != found:
                raise Wrong("a second mount finds something else")
        except CorruptStore:
            return "told"
        if found in self.allowed:
            return "exact"
        if any(is_told(found, right) or is_excused(found, right, damages) for right in self.allowed):
            return "told"
        if address in self.newest and (found == self.before or is_told(found, self.before)):
            return "undecided"
        if address in self.statement and store.doubts and found in self.earlier:
            return "undecided"
        shown = {name: None if data is None else len(data) for name, data in found.items()}
        raise Wrong(f"without a word {shown}, not any of {[sizes(right) for right in self.allowed]}")


def sizes(contents: Contents) -> dict[str, int]:
    return {name: len(data) for name, data in contents.items()}


def newest_frame(flash: NorFlash) -> range:
    newest = frames_on(flash)[-1]
    return range(newest.address, newest.address + FRAME_BYTES + len(newest.payload))


def ruling_statement(flash: NorFlash) -> range:
    """Its bytes on parts where recoveries can't void what they have tried before; no bytes on others."""
    found = find_ruling(flash, PLAINLY)
    layout = layout_of(flash.geometry, config_of(found.statement.settings))
    start = found.lead * layout.block_bytes
    return range(0) if layout.can_kill else range(start + found.statement.at, start + found.statement.stop)


def live_places(flash: NorFlash) -> list[int]:
    """The programmed bytes of all blocks that hold anything live."""
    size, image = flash.geometry.block_bytes, flash.image()
    views = Store.mount(flash, read_only=True).blocks()
    blocks = [view.number for view in views if view.live_bytes or view.state == "open"]
    return [at for block in blocks for at in range(block * size, block * size + size) if image[at] != 0xFF]


def states(history: History, cuts: Iterable[CutPoint]) -> Iterator[tuple[CutPoint, Rotten]]:
    """What each of the cuts left; they are in the order of the run."""
    chip = Chip.holding(history.image, history.geometry, history.erase_counts)
    done = 0
    for cut in cuts:
        chip.apply_all(one.change for one in history.operations[done : cut.operation])
        done = cut.operation
        left = chip.copy()
        left.cut(history.operations[done].change, cut, Profile.PROGRAM)
        yield cut, Rotten(history, cut, left)


def parts(cases: int) -> Iterator[str]:
    """Cuts spread evenly over all that there are in each scenario."""
    for name, cuts in zip(SCENARIOS, spread(ceil(cases / FLIPS), len(SCENARIOS)), strict=True):
        count = sum(1 for _ in every_operation(history_of(name)))
        step = max(1, count // max(cuts, 1))
        start = step // 2
        for some in shares(cuts, CUTS_PER_PART):
            yield f"{name}; cuts {start} to {start + some * step} step {step}"
            start += some * step


def spread(count: int, places: int) -> list[int]:
    """`count` over so many places."""
    return [count * (place + 1) // places - count * place // places for place in range(places)]


def run(part: str) -> Outcome:
    name, which, *flip = part.split("; ")
    history, outcome = history_of(name), Outcome()
    if not which.startswith("cuts"):
        _, address, bit, how = flip[0].split()
        for _, rotten in states(history, [CutPoint.parse(which)]):
            attempt(outcome, part, partial(rotten.judge, int(address), int(bit), how == "writable"))
        return outcome
    _, start, _, stop, _, step = which.split()
    for cut, rotten in states(history, islice(every_operation(history), int(start), int(stop), int(step))):
        random = Random(f"{name} {cut}")
        for number in range(FLIPS):
            address, bit = random.choice(rotten.places), random.randrange(8)
            how = "read-only" if number % WRITABLE_ONE_IN else "writable"
            case = f"{name}; {cut}; flip {address} {bit} {how}"
            attempt(outcome, case, partial(rotten.judge, address, bit, how == "writable"))
    return outcome


ROWS = [Row(6, "cut and rot: 50 live-bit flips per cut", GOAL, parts, run)]
