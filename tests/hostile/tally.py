"""What a run of hostile cases gave."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

VIOLATIONS_KEPT = 50


@dataclass(slots=True)
class Tally:
    """`violations` has a line for each case that broke the promise, the first 50 of them, each with how to repeat it;
    `outcomes` counts how the cases ended, so that a run that only ever reached the first check shows."""

    cases: int = 0
    violations: list[str] = field(default_factory=list)
    outcomes: Counter[str] = field(default_factory=Counter)

    def note(self, outcome: str, violation: str | None = None) -> None:
        """One more case."""
        self.cases += 1
        self.outcomes[outcome] += 1
        if violation is not None and len(self.violations) < VIOLATIONS_KEPT:
            self.violations.append(violation)

    def add(self, other: Tally) -> None:
        """The cases of another run too."""
        self.cases += other.cases
        self.outcomes += other.outcomes
        self.violations = (self.violations + other.violations)[:VIOLATIONS_KEPT]
