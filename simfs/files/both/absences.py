"""When the card is out, by the device's clock."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Absence:
    """Somebody takes the card out at `at_ns` for `lasts_ns`, and again `every_ns` later each time; 0: only once."""

    at_ns: int
    lasts_ns: int
    every_ns: int = 0

    def covers(self, now_ns: int) -> bool:
        """Whether the card is out then."""
        return 0 <= self._since(now_ns) < self.lasts_ns

    def next_ns(self, from_ns: int) -> int | None:
        """The first time from then on at which the card goes; None: never again."""
        if from_ns <= self.at_ns:
            return self.at_ns
        return from_ns + -(from_ns - self.at_ns) % self.every_ns if self.every_ns else None

    def _since(self, now_ns: int) -> int:
        gone_ns = now_ns - self.at_ns
        return gone_ns % self.every_ns if self.every_ns and gone_ns > 0 else gone_ns


@dataclass(frozen=True, slots=True)
class Absences:
    """All of them. They may overlap: the card is out while one of them lasts."""

    each: tuple[Absence, ...] = ()

    def covers(self, now_ns: int) -> bool:
        """Whether the card is out then."""
        return any(one.covers(now_ns) for one in self.each)

    def next_ns(self, from_ns: int) -> int | None:
        """The first time from then on at which the card goes; None: never again."""
        return min((at_ns for one in self.each if (at_ns := one.next_ns(from_ns)) is not None), default=None)

    def backs(self, from_ns: int, until_ns: int) -> list[int]:
        """The times in a stretch at which the card comes back, in order."""
        found = set[int]()
        for one in self.each:
            at_ns = one.next_ns(from_ns - one.lasts_ns)
            while at_ns is not None and at_ns + one.lasts_ns < until_ns:
                found.add(at_ns + one.lasts_ns)
                at_ns = one.next_ns(at_ns + 1)
        return sorted(at_ns for at_ns in found if not self.covers(at_ns))
