"""A store that lives through many power cuts. In every power cycle it is mounted, judged and worked on, until the power
is cut again, in work or in the recovery from the cut before. Bits that a cut left weak stay weak from one cycle to the
next until something complete is written there, and read anew at each power-on."""

from __future__ import annotations

import errno
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from itertools import product
from random import Random
from typing import Any

from simfs import CorruptStore, NorFlash, PowerCut, Store, StoreConfig
from simfs.flash import Cut, Error, Faults, Plan
from simfs.flash.interrupted import Piece
from tests.goals.scenarios import NEED_A_HAND, Call, do
from tests.goals.truth import Contents, Possible, TrueFile, Truth
from tests.support.whole_files import contents

Reading = tuple[bool, ...]
NEVER = 1 << 30
REFUSED_MAX = 10  # calls of a cycle
PROGRAM_LEAVES = ("nothing", "nothing", "bits few", "bits half", "bits most", "all", "all", "bytes 1")
ERASE_LEAVES = ("nothing", "weak", "all", "zeros half", "rising few", "rising most", "raised half", "raised most")


class Broken(AssertionError):
    """The store broke a promise."""


@dataclass(frozen=True)
class Gap:
    """The power is cut in program number `programs` of a cycle or in its erase number `erases`, whichever comes first;
    what they leave of it."""

    programs: int = NEVER
    program_leaves: str = "nothing"
    erases: int = NEVER
    erase_leaves: str = "nothing"
    seed: int = 0

    def plan(self, errors: tuple[Error, ...]) -> Plan:
        cuts = (Cut(self.programs, self.program_leaves, "program"), Cut(self.erases, self.erase_leaves, "erase"))
        return Plan(Faults(seed=self.seed, cuts=cuts, errors=errors, weak="power-on"))

    def later(self, programs: int, erases: int) -> Gap:
        return replace(self, programs=self.programs + programs, erases=self.erases + erases)


WHOLE = Gap()


def random_gap(random: Random, programs_max: int) -> Gap:
    """A cut less than so many programs away, half of them less than eight; in one of four cycles sooner in an erase, if
    there is one."""
    programs = random.randrange(random.choice((8, programs_max)))
    erases = random.randrange(3) if random.random() < 0.25 else NEVER
    leaves = random.choice(PROGRAM_LEAVES), random.choice(ERASE_LEAVES)
    return Gap(programs, leaves[0], erases, leaves[1], random.randrange(1 << 30))


@dataclass
class Life:
    """One store through its power cycles: its image, the bits that are weak, and what may be on it."""

    sizes: dict[str, int]
    config: StoreConfig
    image: bytes = b""
    weak: list[Piece] = field(default_factory=list)
    allowed: list[Contents] = field(default_factory=lambda: [{}])
    errors: tuple[Error, ...] = ()  # of the chip, in every cycle
    cuts: int = 0
    page_programs: list[int] = field(default_factory=list)  # since the last erase, where the part limits them
    cuts_in_recovery: int = 0
    changes: tuple[int, int] = (0, 0)  # programs and erases of the last cycle

    def __post_init__(self) -> None:
        if not self.image:
            flash = Store.format(NorFlash(**self.sizes), self.config).flash
            self.image, self.page_programs = flash.image(), list(flash._page_programs)

    def fork(self) -> Life:
        return Life(
            self.sizes,
            self.config,
            self.image,
            list(self.weak),
            list(self.allowed),
            self.errors,
            self.cuts,
            list(self.page_programs),
        )

    def cycle_after_recovery(self, calls: Iterable[Call], gap: Gap) -> bool:
        """A power cycle whose cut comes so long after the recovery, which is complete."""
        trial = self.fork()
        trial.cycle((), replace(WHOLE, seed=gap.seed))
        return self.cycle(calls, gap.later(*trial.changes), judge_twice=True)

    def readings(self) -> Iterator[Reading]:
        """All ways in which the weak bits of each cut may read as if it had done nothing, or all."""
        return product((False, True), repeat=len(self.weak))

    def cycle(
        self, calls: Iterable[Call], gap: Gap = WHOLE, reading: Reading | None = None, *, judge_twice: bool = False
    ) -> bool:
        """Power on, mount, judge, work. Whether the work ended before the power did. The weak bits of each cut read as
        `reading` says whether it was done, else by the seed of `gap`. `judge_twice`: a second mount must write nothing
        and find the same."""
        flash, plan = self.power_on(gap, reading)
        possible = None
        try:
            store = self._mount(flash, judge_twice)
            possible = Possible(truth_of(self.allowed[0], store))
            work(store, calls, possible)
        except PowerCut:
            self.cuts += 1
            self.cuts_in_recovery += possible is None
            ended = False
        else:
            ended = True
        if possible is not None:
            self.allowed = possible.durable()
        self.page_programs = list(flash._page_programs)
        self.image, self.weak, self.changes = flash.image(), plan.weak, (flash.programs, flash.erases)
        return ended

    def power_on(self, gap: Gap, reading: Reading | None = None) -> tuple[NorFlash, Plan]:
        """The flash as it is switched on; see `cycle`."""
        plan, sheet = gap.plan(self.errors), NorFlash(**self.sizes).datasheet
        plan.weak = self.weak
        image = self.image if reading is None else read_as(self.image, self.weak, reading)
        flash = NorFlash.from_image(image, datasheet=sheet, faults=plan)
        if self.page_programs:
            flash._page_programs[:] = self.page_programs  # an image does not tell them
        if reading is None:
            flash.power_on()
        return flash, plan

    def _mount(self, flash: NorFlash, twice: bool) -> Store:
        try:
            store = Store.mount(flash)
            found = contents(store)
        except CorruptStore as error:
            raise Broken(f"after {self.cuts} cuts the store is refused: {error}") from error
        if store.read_only:
            raise Broken(f"after {self.cuts} cuts the store is read-only")
        if found not in self.allowed:
            raise Broken(f"after {self.cuts} cuts it holds {sizes_of(found)}, not {[*map(sizes_of, self.allowed)]}")
        self.allowed = [found]
        if twice:
            changes = flash.programs, flash.erases
            try:
                again = contents(Store.mount(flash))
            except CorruptStore as error:
                raise Broken(f"after {self.cuts} cuts a second mount is refused: {error}") from error
            if again != found:
                raise Broken(f"after {self.cuts} cuts a second mount finds something else")
            if changes != (flash.programs, flash.erases):
                raise Broken(f"after {self.cuts} cuts a second mount writes")
        return store


def read_as(image: bytes, weak: list[Piece], reading: Reading) -> bytes:
    """The image with the weak bits of each piece 0 where it was done, 1 where not."""
    cells = bytearray(image)
    for (address, mask), done in zip(weak, reading, strict=True):
        for at, bits in enumerate(mask, address):
            cells[at] = cells[at] & ~bits if done else cells[at] | bits
    return bytes(cells)


def sizes_of(found: Contents) -> dict[str, int]:
    return {name: len(data) for name, data in found.items()}


def truth_of(found: Contents, store: Store) -> Truth:
    config = store.config
    assert config.buffer_bytes is not None, "a mounted store knows its buffer"
    files = {name: TrueFile(data) for name, data in found.items()}
    return Truth(config.buffer_bytes, config.fold_case, files, spelled={name: name for name in found})


def work(store: Store, calls: Iterable[Call], possible: Possible) -> None:
    """Make the calls. Lack of room, or of the file, may refuse one; but lack of room may not refuse to delete."""
    hands: dict[str, Any] = {}
    refused = 0
    try:
        for call in calls:
            if refused == REFUSED_MAX:
                return  # each refusal leaves more that is possible
            if call[0] in NEED_A_HAND and call[1] not in hands:
                continue
            try:
                do(store, hands, call)
            except PowerCut:
                possible.refused(call, set(hands))
                raise
            except OSError as error:
                if error.errno not in (errno.ENOSPC, errno.ENOENT) or (call[0], error.errno) == (
                    "remove",
                    errno.ENOSPC,
                ):
                    raise Broken(f"{str(call)[:60]} is refused: {error}") from error
                refused += 1
                possible.refused(call, set(hands))
                if not possible.look(contents(store)):
                    raise Broken(f"{str(call)[:60]} was refused and changed something") from error
            else:
                possible.done(call)
    finally:
        store.drop()


def some_work(random: Random, names: int = 6, size_max: int = 200, files_bytes_max: int = 600) -> Iterator[Call]:
    """Endless small work: files that grow, are updated in place, cut, replaced, renamed and removed; pauses."""
    while True:
        name, choice = f"f{random.randrange(names)}", random.random()
        data = random.randbytes(random.randrange(1, size_max))
        if choice < 0.45:
            yield from (("open", name, "a"), ("write", name, None, data), ("close", name))
        elif choice < 0.6:
            yield from (("open", name, "r+"), ("write", name, random.randrange(files_bytes_max), data), ("close", name))
        elif choice < 0.75:
            yield from (("open", name, "w"), ("write", name, None, data), ("close", name))
        elif choice < 0.85:
            yield ("truncate", name, random.randrange(files_bytes_max // 2))
        elif choice < 0.92:
            yield ("remove", name)
        elif choice < 0.96:
            yield ("rename", name, f"f{random.randrange(names)}")
        else:
            yield ("idle", 300_000_000)
