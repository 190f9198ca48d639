"""How a flash is divided: erase blocks, pages, and the smallest unit that can be programmed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache

LONGEST_QUICK_PAGE = 1024  # bytes; bounds the memory for the strings below to half a MiB


@dataclass(frozen=True, slots=True)
class Geometry:
    """Sizes in bytes. Raises ValueError naming the field that makes no sense.

    An erase block is what one erase sets to FFh; a page is what one program can reach. A program unit is the smallest
    piece that can be programmed, a power of two: 1 on serial NOR; 4, 8 or 16 on flash with ECC, where a unit is
    written once between erases. `page_programs_max` limits the programs of one page between erases; 0: no limit.
    """

    block_count: int
    block_bytes: int
    page_bytes: int
    program_unit_bytes: int = 1
    page_programs_max: int = 0

    def __post_init__(self) -> None:
        for field in ("block_count", "block_bytes", "page_bytes", "program_unit_bytes"):
            if getattr(self, field) < 1:
                raise ValueError(f"{field} must be at least 1, not {getattr(self, field)}")
        if self.program_unit_bytes & (self.program_unit_bytes - 1):
            raise ValueError(f"program_unit_bytes must be a power of two, not {self.program_unit_bytes}")
        if self.page_programs_max < 0:
            raise ValueError(f"page_programs_max must be 0 (no limit) or more, not {self.page_programs_max}")
        if self.block_bytes % self.page_bytes:
            raise ValueError(f"block_bytes ({self.block_bytes}) must be a multiple of page_bytes ({self.page_bytes})")
        if self.page_bytes % self.program_unit_bytes:
            raise ValueError(
                f"page_bytes ({self.page_bytes}) must be a multiple of program_unit_bytes ({self.program_unit_bytes})"
            )

    @property
    def size_bytes(self) -> int:
        return self.block_count * self.block_bytes


@cache
def blanks(longest: int) -> tuple[bytes, ...]:
    """FFh strings by length, up to the longest."""
    return tuple(b"\xff" * length for length in range(longest + 1))


@lru_cache(maxsize=8)
def blank_block(size_bytes: int) -> bytes:
    """As many bytes of FFh as a block has."""
    return b"\xff" * size_bytes
