"""What an operation leaves in the cells when the power is cut in the middle of it, or when it fails.

A program clears its bits, in any order. An erase first programs its block to zeros and then lets the bits rise, so a
block that is cut early holds more zeros than before. The profile of the part says what else an interrupted program
spoils.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from simfs.flash.geometry import Geometry
from simfs.flash.rng import Rng
from simfs.flash.trace import Change

Cells = bytes | bytearray | memoryview


class Profile(StrEnum):
    """What an interrupted program may spoil. An interrupted erase spoils its block in every profile."""

    PROGRAM = "program-contained"  # only the bits that were being programmed
    PAGE = "page-contained"  # its whole page
    SECTOR = "sector-collateral"  # its whole erase block


class Piece(NamedTuple):
    """Bytes, and their address in the flash."""

    address: int
    data: bytes


PROGRAM_LEAVES = {
    "nothing": "no bit is cleared",
    "bytes N": "the first N bytes are programmed",
    "bits N": "the first N bits are programmed, each byte from its lowest bit up",
    "bits few": "of the bits still to clear an eighth is cleared, by the seed",
    "bits half": "half of them",
    "bits most": "all but an eighth of them",
    "all": "all are cleared",
}
ERASE_LEAVES = {
    "nothing": "no bit has changed",
    "zeros N": "the first N bytes are programmed to zeros (N, few, half, most: or so many of the bits, by the seed)",
    "rising N": "all is zeros but the first N bytes, which are erased (or so many of the bits)",
    "raised N": "the first N bytes are erased, the others as before (or so many of the bits)",
    "weak": "blank but for about one bit in 500",
    "all": "blank",
}
SHARES = ("few", "half", "most")
_KINDS = {text.partition(" ")[0] for text in (*PROGRAM_LEAVES, *ERASE_LEAVES)}


def check_leaves(leaves: str) -> None:
    """ValueError unless some program or some erase can leave this."""
    kind, _, amount = leaves.partition(" ")
    sized = kind in ("bytes", "bits", *_ERASE_PHASES)
    if kind not in _KINDS or (not (amount in SHARES or amount.isdecimal()) if sized else amount):
        raise ValueError(f"leaves must be one of {', '.join({**PROGRAM_LEAVES, **ERASE_LEAVES})}, not {leaves!r}")


def random_bits(rng: Rng, length: int, share: str) -> int:
    """`length` bytes of seeded bits as an integer; `share` of them set: few (an eighth), half, most (all but that)."""
    bits = int.from_bytes(rng.random_bytes(length), "little")
    if share == "half":
        return bits
    for _ in range(2):
        bits &= int.from_bytes(rng.random_bytes(length), "little")
    return bits if share == "few" else bits ^ ((1 << 8 * length) - 1)


def left_by(
    change: Change,
    cells: Cells,
    leaves: str,
    seed: int,
    profile: Profile,
    geometry: Geometry,
) -> Piece:
    """The bytes that an interrupted change leaves, and where; `cells` is the whole flash before it. Bytes outside the
    piece have not changed.

    `leaves` is one of PROGRAM_LEAVES or ERASE_LEAVES, else ValueError. The seed draws what it does not fix, and what
    else the profile spoils. Cost: 5 to 20 microseconds; 80 for a share of the bits of 4 KiB.
    """
    start, end = spoiled(change, profile, geometry)
    old = bytes(cells[start:end])
    rng = Rng(seed, "interrupted", change.address)
    if change.data is None:
        return Piece(start, _erased(old, leaves, rng))
    at = change.address - start
    own = old[at : at + len(change.data)]
    left = _programmed(own, change.data, leaves, rng)
    if len(own) == len(old):
        return Piece(start, left)
    around = _disturbed(old, rng)
    return Piece(start, around[:at] + left + around[at + len(left) :])


def weakened(change: Change, cells: Cells, profile: Profile, geometry: Geometry) -> Piece:
    """The mask of bits that an interrupted change leaves weak, whatever they read as now: those that the program had to
    clear, or all that it may spoil by the profile; the whole block of an erase. `cells` is the flash before it."""
    start, end = spoiled(change, profile, geometry)
    if change.data is None or profile is not Profile.PROGRAM:
        return Piece(start, b"\xff" * (end - start))
    old, new = int.from_bytes(cells[start:end], "little"), int.from_bytes(change.data, "little")
    return Piece(start, (old & ~new).to_bytes(end - start, "little"))


def spoiled(change: Change, profile: Profile, geometry: Geometry) -> tuple[int, int]:
    """The range of the flash that an interrupted change may spoil."""
    if change.data is not None and profile is Profile.PROGRAM:
        return change.address, change.address + len(change.data)
    size = geometry.page_bytes if change.data is not None and profile is Profile.PAGE else geometry.block_bytes
    start = change.address - change.address % size
    return start, start + size


def _number(leaves: str, amount: str, most: int) -> int:
    if not amount.isdecimal() or int(amount) > most:
        raise ValueError(f"{leaves!r} must end in few, half, most or a number up to {most}")
    return int(amount)


def _programmed(old: bytes, data: bytes, leaves: str, rng: Rng) -> bytes:
    kind, _, amount = leaves.partition(" ")
    length = len(data)
    full = (1 << 8 * length) - 1
    if leaves == "nothing":
        return old
    if leaves == "all":
        done = full
    elif kind not in ("bytes", "bits"):
        raise ValueError(f"a program can't leave {leaves!r}; it can leave {', '.join(PROGRAM_LEAVES)}")
    elif amount in SHARES:
        done = random_bits(rng, length, amount)
    else:
        unit_bits = 8 if kind == "bytes" else 1
        done = (1 << _number(leaves, amount, 8 * length // unit_bits) * unit_bits) - 1
    kept = int.from_bytes(data, "little") | (done ^ full)
    return (int.from_bytes(old, "little") & kept).to_bytes(length, "little")


# What an erase has made of the bits that it has reached, and of the others: None leaves them as they were.
_ERASE_PHASES: dict[str, tuple[bytes, bytes | None]] = {
    "zeros": (b"\0", None),
    "rising": (b"\xff", b"\0"),
    "raised": (b"\xff", None),
}


def _erased(old: bytes, leaves: str, rng: Rng) -> bytes:
    kind, _, amount = leaves.partition(" ")
    length = len(old)
    if leaves == "nothing":
        return old
    if leaves == "all":
        return b"\xff" * length
    if leaves == "weak":
        return _nearly_blank(length, rng)
    if kind not in _ERASE_PHASES:
        raise ValueError(f"an erase can't leave {leaves!r}; it can leave {', '.join(ERASE_LEAVES)}")
    reached, others = _ERASE_PHASES[kind]
    rest = old if others is None else others * length
    if amount not in SHARES:
        number = _number(leaves, amount, length)
        return reached * number + rest[number:]
    share = random_bits(rng, length, amount)
    left = int.from_bytes(rest, "little") & ~share | int.from_bytes(reached * length, "little") & share
    return left.to_bytes(length, "little")


def _nearly_blank(length: int, rng: Rng) -> bytes:
    left = bytearray(b"\xff") * length
    for _ in range(-(-length // 64)):
        at, bit = divmod(rng.below(8 * length), 8)
        left[at] &= ~(1 << bit)
    return bytes(left)


def _disturbed(old: bytes, rng: Rng) -> bytes:
    """Bytes beside an interrupted program on a part that promises nothing about them: spoiled not at all, here and
    there, or thoroughly, in either direction."""
    how = rng.below(4)
    if how == 0:
        return old
    spoil = random_bits(rng, len(old), "half" if how == 3 else "few")
    for _ in range(3 - how):
        spoil &= random_bits(rng, len(old), "few")
    return (int.from_bytes(old, "little") ^ spoil).to_bytes(len(old), "little")
