"""Bits that flip at random, each with the same small chance."""

from __future__ import annotations

from decimal import Context, Decimal

from simfs.flash.fault_data import Rot
from simfs.flash.rng import Rng
from simfs.flash.wear import exponential

_EXACT = Context(prec=60)  # 1 less the smallest chance is still exact


class Rotting:
    """Flips each bit with the same chance, without looking at the bits in between: the gap to the next flip is
    geometric, floor(E / -ln(1 - chance)) with E exponential. Cost: a microsecond, and 30 for each bit that flips."""

    def __init__(self, rot: Rot, rng: Rng) -> None:
        self.at = rot.at
        self._rng = rng
        sound = _EXACT.subtract(Decimal(1), Decimal(rot.chance))
        self._rate = _EXACT.minus(_EXACT.ln(sound)) if sound else None
        self._gap_bits = self._draw()

    def pass_over(self, cells: memoryview) -> None:
        """Give each bit of these cells its chance to flip."""
        bits, at = 8 * len(cells), self._gap_bits
        while at < bits:
            cells[at >> 3] ^= 1 << (at & 7)
            at += 1 + self._draw()
        self._gap_bits = at - bits

    def _draw(self) -> int:
        return 0 if self._rate is None else int(_EXACT.divide(exponential(self._rng), self._rate))
