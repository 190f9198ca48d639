"""How long erase blocks last in truth, and what a block past its limit does."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Context, Decimal

from simfs.flash.datasheet import Datasheet
from simfs.flash.rng import Rng

# The logarithm and exponential of `decimal` are rounded correctly, so alike everywhere; those of floats need not be.
_EXACT = Context(prec=24)


def exponential(rng: Rng) -> Decimal:
    """A number with the distribution 1 - exp(-x). Cost: about 30 microseconds."""
    return _EXACT.minus(_EXACT.ln(_EXACT.divide(Decimal(2 * rng.u64() + 1), Decimal(1 << 65))))


@dataclass(frozen=True, slots=True)
class Weibull:
    """F(cycles) = 1 - exp(-(cycles / scale_cycles)^shape), the usual law of wear-out. No parameters of NOR flash are
    published that we know of: they are the user's to give. ValueError unless the scale is from 1 to 1e15 and the shape
    from 0.1 to 100."""

    scale_cycles: float
    shape: float

    def __post_init__(self) -> None:
        for field, least, most in (("scale_cycles", 1, 1e15), ("shape", 0.1, 100)):
            if not least <= getattr(self, field) <= most:
                raise ValueError(f"{field} must be from {least:g} to {most:g}, not {getattr(self, field)}")

    def limit_cycles(self, seed: int, block: int) -> int:
        """How many erases one block stands, at least 1: scale x (-ln U)^(1 / shape), rounded down. Cost: 0.1 ms."""
        life = exponential(Rng(seed, "limit", block))
        power = _EXACT.exp(_EXACT.divide(_EXACT.ln(life), Decimal(self.shape)))
        return max(1, int(_EXACT.multiply(power, Decimal(self.scale_cycles))))


@dataclass(frozen=True, slots=True)
class Worn:
    """Blocks with a true limit of erases: `limits` gives (block, cycles) of some, `drawn` those of all others.

    An erase takes the typical time when the block is new and the longest of the datasheet from the limit on, and in
    proportion between. Each of the next `stuck_erases` erases leaves one bit more stuck at 0, and reports success;
    after that the chip reports each erase as failed. `cycles_before` is what each block had before the plan began.
    (That worn blocks behave so is common practice, no source; the course of it is our choice.)
    """

    limits: tuple[tuple[int, int], ...] = ()
    drawn: Weibull | None = None
    stuck_erases: int = 8
    cycles_before: int = 0

    def __post_init__(self) -> None:
        if any(block < 0 or cycles < 1 for block, cycles in self.limits):
            raise ValueError(f"limits must be pairs of a block and its cycles, at least 1, not {self.limits}")
        for field in ("stuck_erases", "cycles_before"):
            if getattr(self, field) < 0:
                raise ValueError(f"{field} must be 0 or more, not {getattr(self, field)}")


class Wear:
    """The erases of each block, and what its limit makes of them."""

    def __init__(self, worn: Worn, seed: int) -> None:
        self._worn, self._seed = worn, seed
        self._limits: dict[int, int | None] = dict(worn.limits)
        self._cycles: dict[int, int] = {}

    def limit_cycles(self, block: int) -> int | None:
        """The true limit of a block; None when nothing sets one."""
        if block not in self._limits:
            drawn = self._worn.drawn
            self._limits[block] = None if drawn is None else drawn.limit_cycles(self._seed, block)
        return self._limits[block]

    def cycles_past(self, block: int) -> int:
        """How many erases the block has had beyond its limit; 0 within it."""
        limit = self.limit_cycles(block)
        return 0 if limit is None else max(0, self._cycles_of(block) - limit)

    def erase(self, block: int) -> None:
        """The block is erased once more."""
        self._cycles[block] = self._cycles_of(block) + 1

    def refuses(self, block: int) -> bool:
        """Whether the chip reports that the erase has failed."""
        return self.cycles_past(block) > self._worn.stuck_erases

    def stick(self, block: int, cells: memoryview) -> None:
        """Clear the bits of the block's cells that are stuck: the same ones, and more from erase to erase."""
        rng = Rng(self._seed, "stuck", block)
        for _ in range(self.cycles_past(block)):
            at, bit = divmod(rng.below(8 * len(cells)), 8)
            cells[at] &= ~(1 << bit)

    def extra_ns(self, block: int, datasheet: Datasheet) -> int:
        """How much longer than typical this erase takes, ns."""
        limit = self.limit_cycles(block)
        if limit is None:
            return 0
        return (datasheet.erase_max_ns - datasheet.erase_typ_ns) * min(self._cycles_of(block), limit) // limit

    def _cycles_of(self, block: int) -> int:
        return self._cycles.get(block, self._worn.cycles_before)
