"""Who wore the flash in a run: the wearers, and the same with files of like names together."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

ERASE_PARTS = 1_000_000
"""An erase is shared in so many whole parts, so that the shares of all wearers add up to it exactly."""
NO_FILE = "(no file)"
_DIGITS = re.compile(r"\d+")
_UNSAFE = re.compile(r"[%;\x00-\x1f\x7f-\xa0\u2028\u2029\ud800-\udfff]")


@dataclass(frozen=True, slots=True)
class Wearer:
    """What one task did to the flash for one file and one kind (`Cause`). `files` is how many the name stands for."""

    task: str
    file: str
    kind: str
    programmed_bytes: int
    erases_millionths: int
    files: int = 1

    @property
    def erases(self) -> float:
        return self.erases_millionths / ERASE_PARTS


@dataclass(frozen=True, slots=True)
class Wearers:
    """All that wore the flash in a run, those with the most erases first. Their bytes and their shares of erases add up
    to these totals, which are those of the flash's own counters."""

    programmed_bytes: int
    erases: int
    wearers: tuple[Wearer, ...]

    def with_like_names(self) -> Wearers:
        """Files whose names differ in digits alone become one, with `#` in their place, as days and counters are."""
        found: dict[tuple[str, str, str], Wearer] = {}
        for wearer in self.wearers:
            key = (wearer.task, _DIGITS.sub(_hashes, wearer.file), wearer.kind)
            known = found.get(key)
            found[key] = wearer if known is None else _together(known, wearer, key[1])
        return replace(self, wearers=in_order(found.values()))

    def stacks(self, *, of_erases: bool = False) -> Iterator[str]:
        """Lines `task;file;kind count` for a flame graph: of programmed bytes, or of millionths of an erase. A
        semicolon, a percent sign or a control character in a name is written as %XX."""
        for wearer in self.wearers:
            count = wearer.erases_millionths if of_erases else wearer.programmed_bytes
            if count:
                yield f"{';'.join(map(_frame, (wearer.task, wearer.file, wearer.kind)))} {count}"


def in_order(wearers: Iterable[Wearer]) -> tuple[Wearer, ...]:
    """Those with the most erases first, then those with the most bytes."""
    return tuple(
        sorted(wearers, key=lambda one: (-one.erases_millionths, -one.programmed_bytes, one.task, one.file, one.kind))
    )


def _together(one: Wearer, other: Wearer, name: str) -> Wearer:
    return replace(
        one,
        file=name,
        programmed_bytes=one.programmed_bytes + other.programmed_bytes,
        erases_millionths=one.erases_millionths + other.erases_millionths,
        files=one.files + other.files,
    )


def _hashes(digits: re.Match[str]) -> str:
    return "#" * len(digits[0])


def _frame(name: str) -> str:
    return _UNSAFE.sub(lambda sign: "".join(f"%{byte:02X}" for byte in sign[0].encode("utf-8", "surrogatepass")), name)
