"""DWORDs as lists of their fields: one list parses, builds and explains.

construct does the bits. A DWORD is little-endian, and its fields are declared from its highest bit down.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from construct import BitsInteger, BitStruct, ByteSwapped, Construct

from simfs.sfdp.words import Words, count

DWORD_BYTES = 4


@dataclass(frozen=True, slots=True)
class Field:
    """Bits `high` to `low` of a DWORD: the key under which they are parsed, what they are, and what a value means."""

    key: str
    high: int
    low: int
    title: str
    words: Words = count

    @property
    def width_bits(self) -> int:
        return self.high - self.low + 1


@dataclass(frozen=True, slots=True)
class Reading:
    """One field as a table has it: the DWORD that it stands in (from 1), its value, and what that means."""

    dword: int
    field: Field
    value: int
    meaning: str


class Dword:
    """A DWORD of a table. ValueError when two of its fields share a bit."""

    def __init__(self, *fields: Field) -> None:
        self.fields = tuple(sorted(fields, key=lambda field: field.high))
        self.form: Construct = ByteSwapped(BitStruct(*(key / BitsInteger(width) for key, width in self._spans())))

    def _spans(self) -> Iterator[tuple[str, int]]:
        """Key and width of the fields and of the gaps between them, from bit 31 down."""
        top = 31
        for field in reversed(self.fields):
            if field.high > top or field.low > field.high:
                raise ValueError(f"{field.key} has no bits of its own at {field.high}:{field.low}")
            if field.high < top:
                yield f"unused_{field.high + 1}", top - field.high
            yield field.key, field.width_bits
            top = field.low - 1
        if top >= 0:
            yield "unused_0", top + 1

    def parse(self, dword: int) -> dict[str, int]:
        """The value of each field."""
        found = self.form.parse(dword.to_bytes(DWORD_BYTES, "little"))
        return {field.key: int(found[field.key]) for field in self.fields}

    def build(self, values: dict[str, Any]) -> int:
        """The DWORD that has these values; what is not named is 0."""
        whole = {key: values.get(key, 0) for key, _ in self._spans()}
        return int.from_bytes(self.form.build(whole), "little")


def readings(layout: Sequence[Dword], dwords: Sequence[int], first: int = 1) -> list[Reading]:
    """Every field of the DWORDs that a table has, as many as it has of them, the first one numbered `first`."""
    found = []
    for number, (declared, dword) in enumerate(zip(layout, dwords, strict=False), first):
        values = declared.parse(dword)
        found += [
            Reading(number, field, values[field.key], field.words(values[field.key])) for field in declared.fields
        ]
    return found
