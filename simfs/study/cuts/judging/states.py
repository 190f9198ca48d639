"""The cuts that there are in a run, and the flash as each leaves it, built from the recording."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from simfs.flash import Geometry, Rng
from simfs.flash.interrupted import Piece, Profile, left_by, weakened
from simfs.flash.trace import Change
from simfs.flash.weak import still_weak
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import History

ERASE_PHASES = 8  # steps of an erase where not every byte is asked for
RANDOM_PROGRAM = ("bits few", "bits half", "bits most")
RANDOM_ERASE = (
    "zeros few", "zeros half", "zeros most", "rising few", "rising half", "rising most",
    "raised few", "raised half", "raised most", "weak",
)  # fmt: skip


def every_operation(history: History) -> Iterator[CutPoint]:
    """A few cuts in each program and erase: nothing done, half done, some of the bits, all of it."""
    for number, operation in enumerate(history.operations):
        if operation.data is None:
            half = history.geometry.block_bytes // 2
            leaves = ["nothing", f"zeros {half}", f"rising {half}", "raised half", "weak", "all"]
        else:
            leaves = ["nothing", f"bytes {(len(operation.data) + 1) // 2}", "bits half", "all"]
        yield from (CutPoint(number, what) for what in leaves)


def every_byte(history: History, erases: bool = False) -> Iterator[CutPoint]:
    """A cut after each byte of each program, and random parts of its bits. Each erase in phases, or with `erases`
    after each byte of each of its phases, three times the bytes of a block."""
    for number, operation in enumerate(history.operations):
        if operation.data is None:
            size = history.geometry.block_bytes
            step = 1 if erases else max(1, size // ERASE_PHASES)
            steps = [f"{phase} {done}" for phase in ("zeros", "rising", "raised") for done in range(step, size, step)]
            leaves = ["nothing", *steps, f"zeros {size}", *RANDOM_ERASE, "all"]
        else:
            steps = [f"bytes {done}" for done in range(1, len(operation.data))]
            leaves = ["nothing", *steps, *RANDOM_PROGRAM, "all"]
        yield from (CutPoint(number, what) for what in leaves)


def every_bit(history: History) -> Iterator[CutPoint]:
    """A cut after each bit that a program clears, from the lowest bit of its first byte on; no erases."""
    for number, operation in enumerate(history.operations):
        if operation.data is not None:
            bits = int.from_bytes(operation.data, "little")
            done = (bit + 1 for bit in range(8 * len(operation.data)) if not bits >> bit & 1)
            yield from (CutPoint(number, f"bits {count}") for count in done)


def sampled(history: History, count: int, seed: int = 0) -> Iterator[CutPoint]:
    """So many cuts, drawn from all that there are; a quarter of them in erases, if there are any."""
    rng = Rng(seed, "cuts")
    kinds: list[list[int]] = [[], []]
    for number, operation in enumerate(history.operations):
        kinds[operation.data is None].append(number)
    drawn = []
    for _ in range(count):
        wanted = kinds[rng.below(4) == 0] or kinds[0] or kinds[1]
        if wanted:
            number = wanted[rng.below(len(wanted))]
            leaves = any_leaves(history.operations[number].change, history.geometry, rng)
            drawn.append(CutPoint(number, leaves, rng.below(1 << 16)))
    yield from sorted(drawn, key=lambda cut: cut.operation)


def any_leaves(change: Change, geometry: Geometry, rng: Rng) -> str:
    """Something that a cut in this change may leave."""
    if change.data is None:
        phases = [f"{phase} {rng.below(geometry.block_bytes + 1)}" for phase in ("zeros", "rising", "raised")]
        choices = ["nothing", "all", *phases, *RANDOM_ERASE]
    else:
        size = len(change.data)
        choices = ["nothing", "all", f"bytes {rng.below(size + 1)}", f"bits {rng.below(8 * size + 1)}", *RANDOM_PROGRAM]
    return choices[rng.below(len(choices))]


@dataclass(slots=True)
class Chip:
    """The state of a flash during a campaign: its cells, which bits are weak, how often each block was erased since it
    was new, and if the part limits them, the programs of each page since its erase."""

    geometry: Geometry
    cells: bytearray
    weak: list[Piece]
    erased: list[int]
    page_programs: list[int]

    @classmethod
    def holding(cls, image: bytes, geometry: Geometry, erased: Iterable[int]) -> Chip:
        """A chip with these cells, all sound. Pages that are not blank count as programmed once."""
        size = geometry.page_bytes
        pages = range(0, len(image), size) if geometry.page_programs_max else ()
        programs = [int(image[start : start + size] != b"\xff" * size) for start in pages]
        return cls(geometry, bytearray(image), [], list(erased), programs)

    def copy(self) -> Chip:
        """Another one like it. Costs a copy of the cells."""
        return Chip(self.geometry, bytearray(self.cells), list(self.weak), list(self.erased), list(self.page_programs))

    def apply(self, change: Change) -> None:
        """Make the change."""
        start, data = change
        if data is None:
            size = self.geometry.block_bytes
            self.cells[start : start + size] = b"\xff" * size
            self.erased[start // size] += 1
            if self.page_programs:
                pages = size // self.geometry.page_bytes
                self.page_programs[start // size * pages : (start // size + 1) * pages] = [0] * pages
        else:
            end = start + len(data)
            if not self.cells.startswith(b"\xff" * len(data), start):
                both = int.from_bytes(self.cells[start:end], "little") & int.from_bytes(data, "little")
                data = both.to_bytes(len(data), "little")
            self.cells[start:end] = data
            self._count_program(start)
        if self.weak:
            self.weak = still_weak(self.weak, change, self.geometry)

    def cut(self, change: Change, cut: CutPoint, profile: Profile) -> None:
        """Cut the power in the change. A cut erase wears its block as well, and a cut program counts for its page."""
        mask = weakened(change, self.cells, profile, self.geometry)
        start, left = left_by(change, self.cells, cut.leaves, cut.seed, profile, self.geometry)
        self.cells[start : start + len(left)] = left
        self.weak.append(mask)
        if change.data is None:
            self.erased[change.address // self.geometry.block_bytes] += 1
        else:
            self._count_program(change.address)

    def _count_program(self, address: int) -> None:
        if self.page_programs:
            self.page_programs[address // self.geometry.page_bytes] += 1

    def apply_all(self, changes: Iterable[Change]) -> None:
        """Make the changes, one after the other."""
        for change in changes:
            self.apply(change)
