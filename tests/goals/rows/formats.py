"""Row 21: the power is cut in a format over another store, at every byte of every program and in every phase of an
erase; and blocks of the old store can't be erased.

A mount finds the old store exactly, the new one exactly, or says that there is none: never a mixture. Whatever it
found, formatting again gives a new store that keeps all, though cells are weak that the cut format left so.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, partial
from itertools import islice, product
from random import Random
from typing import Any

from simfs import CorruptStore, NorFlash, PowerCut, Store, StoreConfig
from simfs.flash import Cut, Error, Faults, Plan
from simfs.study.cuts.notes.cut_point import CutPoint
from tests.goals.table import Outcome, Row, attempt
from tests.store.lives.power_cycles import WHOLE, Gap, Life, Reading, sizes_of, some_work
from tests.support.whole_files import contents, put

GOAL = 40_000
CASES_PER_PART = 100
SIZES = {"block_count": 10, "block_bytes": 1024, "page_bytes": 64}
UNITS = {**SIZES, "block_bytes": 2048, "page_bytes": 128, "program_unit_bytes": 8}
SHORT = {"buffer_bytes": 64, "name_bytes": 8}
NEW: dict[str, dict[str, Any]] = {
    "one head": SHORT,
    "two heads": {**SHORT, "log_heads": 2},
    "pages": {"packing": "page", "name_bytes": 8},
    "other settings": {**SHORT, "name_bytes": 12, "cleaner": "cost-benefit", "fold_case": True, "level_threshold": 1},
}
CYCLES_MAX = 100  # of an old store's life
WORN = 12  # times that a store is formatted
ERASE_LEAVES = (
    "nothing", "zeros 40", "zeros half", "rising 100", "rising most", "raised 200", "raised few", "weak", "all",
)  # fmt: skip
READINGS = 2  # of the weak bits of each cut
LATER_CYCLES, LATER_CALLS = 4, 75


class Mixed(AssertionError):
    """What a cut format left is neither the old store nor the new one, or the new one loses something."""


@dataclass(frozen=True)
class Old:
    """A flash with a store on it; `contents` and `config` are None where mounting it says that it is damaged."""

    sizes: dict[str, int]
    image: bytes
    contents: dict[str, bytes] | None
    config: StoreConfig | None

    def flash(self, image: bytes, plan: Plan | None = None) -> NorFlash:
        return NorFlash.from_image(image, datasheet=NorFlash(**self.sizes).datasheet, faults=plan)


def lived_in(sizes: dict[str, int], settings: dict[str, Any], *, cycles: int = 20, formats: int = 1) -> bytes:
    """The image of a store that has been worked on for a while, and until every head has a block open."""
    flash = NorFlash(**sizes)
    for _ in range(formats):
        Store.format(flash, StoreConfig(**settings))
    life = Life(sizes, StoreConfig(**settings), flash.image())
    calls = some_work(Random(str(settings)), size_max=120, files_bytes_max=250)
    for done in range(CYCLES_MAX):
        life.cycle(islice(calls, 20))
        store = Store.mount(NorFlash.from_image(life.image, datasheet=flash.datasheet), read_only=True)
        if done >= cycles and sum(view.state == "open" for view in store.blocks()) == store.config.log_heads:
            return life.image
    raise Mixed("the second head never has a block open")


def filled() -> bytes:
    store = Store.format(NorFlash(**SIZES), StoreConfig(**SHORT))
    try:
        for number in range(1000):
            put(store, f"f{number}", bytes([number % 256]) * 150)
    except OSError:
        return store.flash.image()
    raise Mixed("the store is never full")


def damaged() -> bytes:
    """A block in the middle of a full store is blank."""
    image, size = bytearray(filled()), SIZES["block_bytes"]
    image[3 * size : 4 * size] = b"\xff" * size
    return bytes(image)


OLD = {
    "one head": (SIZES, lambda: lived_in(SIZES, SHORT)),
    "two heads": (SIZES, lambda: lived_in(SIZES, {**SHORT, "log_heads": 2})),
    "pages": (SIZES, lambda: lived_in(SIZES, {"packing": "page", "name_bytes": 8})),
    "units of 8": (UNITS, lambda: lived_in(UNITS, SHORT)),
    "young": (SIZES, lambda: lived_in(SIZES, SHORT, cycles=1)),
    "worn": (SIZES, lambda: lived_in(SIZES, {**SHORT, "log_heads": 2}, formats=WORN)),
    "full": (SIZES, filled),
    "damaged": (SIZES, damaged),
    "no store": (SIZES, lambda: Random("noise").randbytes(SIZES["block_count"] * SIZES["block_bytes"])),
    "blank": (SIZES, lambda: NorFlash(**SIZES).image()),
}


@cache
def old_of(name: str) -> Old:
    sizes, make = OLD[name]
    old = Old(sizes, make(), None, None)
    try:
        store = Store.mount(old.flash(old.image))
        return Old(sizes, old.image, contents(store), store.config)
    except CorruptStore:
        return old


def config_of(new: str, old: Old) -> StoreConfig:
    """As a mount gives it back."""
    return Store.mount(Store.format(NorFlash(**old.sizes), StoreConfig(**NEW[new])).flash).config


@cache
def changes_of(old: str, new: str) -> list[int]:
    """The length of each program of the format, 0 for an erase."""
    flash, found = old_of(old).flash(old_of(old).image), list[int]()
    flash.listen(lambda address, data: found.append(len(data)), lambda block: found.append(0))
    Store.format(flash, StoreConfig(**NEW[new]))
    return found


def errors_of(block: str) -> tuple[Error, ...]:
    """A block that is "spent" can't be programmed either."""
    if block == "block none":
        return ()
    _, number, *spent = block.split()
    erase = Error("erase", block=int(number), for_ever=True)
    return (erase, Error("program", block=int(number), for_ever=True)) if spent else (erase,)


# What one case is: "two heads; one head; block 3; 12:bytes=5@1", "none" for no such block or no cut


def cases() -> Iterator[str]:
    for old, new in product(OLD, NEW):
        for number, length in enumerate(changes_of(old, new)):
            unit = old_of(old).sizes.get("program_unit_bytes", 1)
            leaves = [f"bytes {done}" for done in range(0, length + 1, unit)] if length else ERASE_LEAVES
            yield from (f"{old}; {new}; block none; {CutPoint(number, one)}" for one in leaves)
        if old != "blank":
            for block, how in product(range(SIZES["block_count"]), ("", " spent")):
                cuts = [str(CutPoint(number, "nothing")) for number in range(len(changes_of(old, new)))]
                yield from (f"{old}; {new}; block {block}{how}; {cut}" for cut in ("none", *cuts))


def judge(case: str) -> str:
    """What a mount finds after the format: "old", "new" or "told"."""
    old_name, new_name, block, cut = case.split("; ")
    old, errors = old_of(old_name), errors_of(block)
    config = config_of(new_name, old)
    life = cut_format(old, config, errors, None if cut == "none" else CutPoint.parse(cut))
    if life.cuts == 0:
        life.allowed = [{}]
        live_on(life)
        return "new"
    for seed in range(READINGS):
        reading = (False,) * len(life.weak) if seed == 0 else None  # what was cut in an erase reads blank
        found = what_is_found(old, config, life.fork(), seed, reading)
        live_on(format_again(config, life.fork(), seed, reading))
    return found


def cut_format(old: Old, config: StoreConfig, errors: tuple[Error, ...], cut: CutPoint | None) -> Life:
    cuts = () if cut is None else (Cut(cut.operation, cut.leaves),)
    plan = Plan(Faults(seed=0 if cut is None else cut.seed, cuts=cuts, errors=errors, weak="power-on"))
    flash = old.flash(old.image, plan)
    try:
        Store.format(flash, config)
    except PowerCut:
        return Life(old.sizes, config, flash.image(), plan.weak, errors=errors, cuts=1)
    return Life(old.sizes, config, flash.image(), plan.weak, errors=errors)


def what_is_found(old: Old, config: StoreConfig, life: Life, seed: int = 0, reading: Reading | None = None) -> str:
    flash, plan = life.power_on(Gap(seed=seed), reading)
    look_only(old, config, flash.image())
    try:
        store = Store.mount(flash)
        found = contents(store)
    except CorruptStore:
        return "told"
    if found == {} and store.config == config:
        what, life.allowed = "new", [{}]
    elif found == old.contents and store.config == old.config:
        what, life.allowed = "old", [found]
    else:
        raise Mixed(f"a mount finds {whose(store, old, config)} settings with {sizes_of(found)}")
    life.image, life.weak = flash.image(), plan.weak
    live_on(life, 1)
    return what


def whose(store: Store, old: Old, config: StoreConfig) -> str:
    return "the old" if store.config == old.config else "the new" if store.config == config else "other"


def look_only(old: Old, config: StoreConfig, image: bytes) -> None:
    """A read-only mount may give what is left of a damaged store, and then says so."""
    try:
        store = Store.mount(old.flash(image), read_only=True)
        found = (contents(store), store.config)
    except CorruptStore:
        return
    if found not in (({}, config), (old.contents, old.config)) and not store.doubts and not store.check():
        raise Mixed(f"a read-only mount finds {whose(store, old, config)} settings with {sizes_of(found[0])}")


def format_again(config: StoreConfig, life: Life, seed: int = 0, reading: Reading | None = None) -> Life:
    flash, plan = life.power_on(Gap(seed=seed), reading)
    Store.format(flash, config)
    life.image, life.weak, life.allowed = flash.image(), plan.weak, [{}]
    return life


def live_on(life: Life, cycles: int = LATER_CYCLES) -> None:
    """Work, with a power-on now and then at which weak bits are read anew; by default until every block is used."""
    calls = some_work(Random(0), size_max=130, files_bytes_max=250)
    for seed in range(cycles):
        life.cycle(islice(calls, LATER_CALLS), Gap(seed=seed))
    life.cycle((), WHOLE)


def parts(cases_wanted: int) -> Iterator[str]:
    """Cases spread evenly over all that there are."""
    count = sum(1 for _ in cases())
    step = max(1, round(count / cases_wanted))
    size = CASES_PER_PART * step
    for start in range(step // 2, count, size):
        yield f"cases {start} to {min(start + size, count)} step {step}"


def run(part: str) -> Outcome:
    outcome, which = Outcome(), [part]
    if part.startswith("cases"):
        _, start, _, stop, _, step = part.split()
        which = list(islice(cases(), int(start), int(stop), int(step)))
    for case in which:
        attempt(outcome, case, partial(judge, case))
    return outcome


ROWS = [Row(21, "a format cut anywhere, over stores of other settings; blocks that can't be erased", GOAL, parts, run)]
