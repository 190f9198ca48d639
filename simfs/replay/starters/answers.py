"""What is asked about a device, and what an answer has to be. A wrong one raises `ValueError`, which says what is wrong
and, after a semicolon, what would be right."""

from __future__ import annotations

import re
from dataclasses import dataclass

from simfs.flash.datasheet import Datasheet
from simfs.flash.parts import GENERIC, PARTS
from simfs.replay.scenario.near_words import did_you_mean
from simfs.replay.scenario.patterns import Pattern, parse_pattern
from simfs.replay.scenario.quantities import format_size, parse_duration, parse_size
from simfs.replay.starters.kinds import KINDS, Kind

PART = "W25Q32JV"
CYCLES = 100_000
CYCLES_MAX = 10**9
CHIP_BYTES_MAX = 256 << 20
KEPT_MAX_NS = 1000 * 365 * 86_400 * 10**9
BLOCKS_MIN = 8  # of a store that is not asked for by size

_LIKE_A_SIZE = re.compile(r"\s*[0-9.]+\s*[A-Za-z]{1,3}\s*")
_ESCAPES = {"\\n": "\n", "\\t": "\t", "\\\\": "\\"}


@dataclass(frozen=True, slots=True)
class Flash:
    """A part of the catalogue, a size and the cycles that go with it, or a part and which of its sizes."""

    part: str | None
    size_bytes: int | None
    cycles: int

    @property
    def sheet(self) -> Datasheet:
        return PARTS[self.part] if self.part else GENERIC

    @property
    def whole_bytes(self) -> int:
        return self.size_bytes or self.sheet.size_bytes


@dataclass(frozen=True, slots=True)
class Content:
    """What is written each time: so many bytes, or a text."""

    size_bytes: int | None
    text: str
    pattern: Pattern | None


def kind_of(text: str) -> Kind:
    """The kind of that name."""
    found = KINDS.get(text.strip().lower())
    if found is None:
        raise ValueError(f'there is no kind "{text}"; {did_you_mean(text, KINDS)}known are {", ".join(KINDS)}')
    return found


def part_of(text: str) -> str:
    """A part of the catalogue, whatever the case of its letters."""
    found = {name.lower(): name for name in PARTS}.get(text.strip().lower())
    if found is None:
        near = did_you_mean(text, PARTS)
        raise ValueError(f'there is no part "{text}"; {near}`simfs parts` lists them, or give the size of the chip')
    return found


def chip_bytes_of(text: str) -> int:
    """The size of a chip that is in no catalogue."""
    size_bytes = parse_size(text)
    if not BLOCKS_MIN * GENERIC.block_bytes <= size_bytes <= CHIP_BYTES_MAX or size_bytes % GENERIC.block_bytes:
        least, block = format_size(BLOCKS_MIN * GENERIC.block_bytes), format_size(GENERIC.block_bytes)
        raise ValueError(f'"{text}" is no size of a chip; write {least} to 256 MiB, in whole erase blocks of {block}')
    return size_bytes


def cycles_of(text: str) -> int:
    """How many erases a block is rated for."""
    digits = text.strip().replace(",", "").replace("_", "")
    if not re.fullmatch("[0-9]{1,10}", digits) or not 1 <= int(digits) <= CYCLES_MAX:
        raise ValueError(f'"{text}" is no number of erases; write for example 100000')
    return int(digits)


def store_bytes_of(text: str, flash: Flash) -> int:
    """The size of a store on a chip."""
    size_bytes, block_bytes = parse_size(text), flash.sheet.block_bytes
    block, whole = format_size(block_bytes), format_size(flash.whole_bytes)
    if size_bytes % block_bytes or not size_bytes:
        up = format_size(size_bytes - size_bytes % block_bytes + block_bytes)
        raise ValueError(f'"{text}" is not whole erase blocks of {block}; write for example {up}')
    if size_bytes > flash.whole_bytes:
        raise ValueError(f'"{text}" is more than the chip has; write at most {whole}')
    return size_bytes


def usual_store_bytes(kind: Kind, flash: Flash) -> int:
    """The kind's size in whole erase blocks, and enough of them."""
    block_bytes = flash.sheet.block_bytes
    blocks = max(-(-kind.store_bytes // block_bytes), BLOCKS_MIN)
    return min(blocks * block_bytes, flash.whole_bytes)


def duration_of(text: str) -> int:
    """A duration above 0, in ns."""
    found = parse_duration(text)
    if not 0 < found <= KEPT_MAX_NS:
        raise ValueError(f'"{text}" is out of bounds; write more than 0 and at most 1000 years of 365 days')
    return found


def content_of(text: str, kind: Kind) -> Content:
    """A size such as `40 B`, or a text in which a new line is written as \\n."""
    if kind.name == "ring" or _LIKE_A_SIZE.fullmatch(text) or re.fullmatch(r"\s*0[xX][0-9A-Fa-f]+\s*", text):
        return _size(text)
    if any(0xD800 <= ord(sign) <= 0xDFFF for sign in text):
        raise ValueError("the text is not UTF-8; write it in letters that can be saved")
    plain = re.sub(r"\\[nt\\]", lambda found: _ESCAPES[found[0]], text)
    if plain and kind.in_lines and not plain.endswith("\n"):
        plain += "\n"
    if not plain:
        raise ValueError('it is empty; write a text, or a size such as "40 B"')
    return Content(None, plain, parse_pattern(plain))


def _size(text: str) -> Content:
    size_bytes = parse_size(text)
    if not 1 <= size_bytes <= 1 << 20:
        raise ValueError(f'"{text}" is out of bounds; write 1 B to 1 MiB')
    return Content(size_bytes, "", None)
