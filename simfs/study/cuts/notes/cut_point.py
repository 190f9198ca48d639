"""Where the power is cut and what that leaves, as data that prints as one short token."""

from __future__ import annotations

import re
from dataclasses import dataclass

_TOKEN = re.compile(r"(\d+):([a-z]+(?:=(?:\d+|[a-z]+))?)(?:@(\d+))?")


@dataclass(frozen=True, slots=True)
class CutPoint:
    """A power cut in flash operation number `operation` of a run (the first program or erase is 0).

    `leaves` says what the cut operation leaves in its cells, as `simfs.flash.interrupted` names it; `seed` draws what
    is random in it. `then` is a cut inside the recovery; its operations count from the beginning of the mount. As text
    `123:bytes=17`, `123:bits=half@7`, `123:bits=half@7/0:nothing`.
    """

    operation: int
    leaves: str
    seed: int = 0
    then: CutPoint | None = None

    def __str__(self) -> str:
        seed = f"@{self.seed}" if self.seed else ""
        then = f"/{self.then}" if self.then is not None else ""
        return f"{self.operation}:{self.leaves.replace(' ', '=')}{seed}{then}"

    @classmethod
    def parse(cls, text: str) -> CutPoint:
        """The cut point of a token. `ValueError` says what would be right."""
        cut: CutPoint | None = None
        for part in reversed(text.strip().split("/")):
            found = _TOKEN.fullmatch(part)
            if found is None:
                raise ValueError(f"{text!r} names no cut; right would be, for example, 123:bytes=17")
            cut = cls(int(found[1]), found[2].replace("=", " "), int(found[3] or 0), cut)
        assert cut is not None
        return cut

    @property
    def depth(self) -> int:
        """The number of cuts in a row."""
        return 1 + (self.then.depth if self.then is not None else 0)

    def followed_by(self, last: CutPoint) -> CutPoint:
        """This cut point with another cut in its last recovery."""
        then = last if self.then is None else self.then.followed_by(last)
        return CutPoint(self.operation, self.leaves, self.seed, then)
