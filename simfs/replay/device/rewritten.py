"""What wears in a chip beside its store: regions that the firmware erases and writes by itself."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Rewritten:
    """A region, and how often each of its erase blocks is erased."""

    name: str
    start_bytes: int
    size_bytes: int
    erased_every_ns: int
