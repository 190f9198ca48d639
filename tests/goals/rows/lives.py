"""Row 19: stores that live through hundreds of power cuts each, in work, in recoveries, in format and in idle time.

    python -m tests.goals.rows.lives --lives 100 --setting 'log_heads=2 packing=page'
    python -m tests.goals.rows.lives --seed 12 --cuts 80

A life is told by its seed: the setting (flash, store, how often the power goes), the work and the cuts are drawn from
it. Values of `--setting` are taken instead of those drawn.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from random import Random

from simfs.study.cuts.lives.session import Session, Violation, sessions
from simfs.study.cuts.lives.shrink import shrink
from tests.goals.long_lives.calls import in_words, shorter
from tests.goals.long_lives.life import Life, WornOut
from tests.goals.long_lives.settings import Setting, draw, parse_values
from tests.goals.long_lives.work import Work
from tests.goals.scenarios import Call
from tests.goals.table import Outcome, Row, shares

CUTS_PER_LIFE = 200
SAMPLE, CUTS_PER_SHORT_LIFE = 10_000, 40  # so few cuts go to shorter lives, so that there are more of them
SESSIONS_PER_CUT = 4


@dataclass
class Lived:
    """What came of a life. `sessions` is all that it takes to live it again."""

    setting: Setting
    refused: int
    life: Life
    sessions: list[Session[Call]] = field(default_factory=list)
    violation: Violation | None = None

    @property
    def cuts(self) -> int:
        return self.life.counts["cuts"]


def lived(seed: int, cuts: int = CUTS_PER_LIFE, given: str = "") -> Lived:
    """The life of a seed, up to so many cuts."""
    setting, refused = draw(seed, parse_values(given))
    life = Life(setting, seed)
    found = Lived(setting, refused, life)
    work = Work(setting, Random(f"work {seed}"))
    values = setting.values
    for session in sessions(values["gap"], values["sags"], Random(f"cuts {seed}")):
        if life.counts["cuts"] >= cuts or len(found.sessions) >= cuts * SESSIONS_PER_CUT:
            break
        found.sessions.append(session)
        work.power_on()
        try:
            found.violation = lived_session(life, session, work)
        except WornOut:
            life.counts["worn out"] += 1
            break
        if found.violation is not None:
            break
    return found


def lived_again(setting: Setting, seed: int, planned: list[Session[Call]]) -> Violation | None:
    """The same life, or what is left of it; sessions behind the violation are dropped."""
    life = Life(setting, seed)
    for number, session in enumerate(planned):
        violation = lived_session(life, session, None)
        if violation is not None:
            del planned[number + 1 :]
            return violation
    return None


def lived_session(life: Life, session: Session[Call], work: Work | None) -> Violation | None:
    try:
        life.live(session, work)
        misuse = set(life.flash.event_counts) - {"page-programs"}
        if misuse:
            return Violation("operation", f"the flash was misused: {', '.join(misuse)}")
    except Violation as violation:
        return violation
    except WornOut:
        raise
    except Exception as error:
        return Violation("crash", f"{type(error).__name__}: {error}")
    return None


def shortest(found: Lived, seed: int, sessions_max: int) -> list[Session[Call]] | None:
    def live(planned: list[Session[Call]]) -> str | None:
        try:
            violation = lived_again(found.setting, seed, planned)
        except WornOut:
            return None
        return violation.kind if violation is not None else None

    return shrink(found.sessions, live, shorter, sessions_max)


def parts(cases: int) -> Iterable[str]:
    each = CUTS_PER_LIFE if cases > SAMPLE else CUTS_PER_SHORT_LIFE
    for seed, cuts in enumerate(shares(cases, each)):
        yield f"seed {seed}; {cuts} cuts"


def run(part: str) -> Outcome:
    seed, cuts, *given = part.split("; ")
    found = lived(int(seed.split()[1]), int(cuts.split()[0]), *given)
    counts = found.life.counts
    outcome = Outcome(tried=counts.pop("cuts", 0))
    outcome.counts = counts
    flash = found.life.flash
    counts.update({"lives": 1, "settings refused": found.refused, "erases": flash.erases})
    counts["programs too many of a page"] += flash.event_counts.get("page-programs", 0)
    if found.violation is not None:
        kind = found.violation.kind
        outcome.counts["stores shut" if kind in ("shut", "refused") else "stores that lost"] += 1
        again = "; ".join([seed, f"{outcome.tried + 1} cuts", *given])
        outcome.violated(again, f"{found.violation}; session {len(found.sessions)} of {found.setting}")
    return outcome


ROWS = [Row(19, "stores that live through hundreds of power cuts", 1_000_000, parts, run)]


def main() -> int:
    parser = argparse.ArgumentParser(description="Let stores live through power cuts, for as long as they bear it.")
    parser.add_argument("--seed", type=int, default=0, help="of the first life")
    parser.add_argument("--lives", type=int, default=1, help="so many, with one seed after the other")
    parser.add_argument("--cuts", type=int, default=CUTS_PER_LIFE, help="of each life")
    parser.add_argument("--setting", default="", help="values instead of those drawn: 'log_heads=2 failing=0'")
    parser.add_argument(
        "--shrink", type=int, default=0, metavar="N", help="look for the shortest that fails: N sessions"
    )
    chosen = parser.parse_args()
    total, began = Outcome(), time.process_time()
    for seed in range(chosen.seed, chosen.seed + chosen.lives):
        given = f"; {chosen.setting}" if chosen.setting else ""
        outcome = run(f"seed {seed}; {chosen.cuts} cuts{given}")
        total.add(outcome)
        for part, text in outcome.violations:
            print(f"{part}  # {text}", flush=True)
            if chosen.shrink:
                found = lived(seed, chosen.cuts, chosen.setting)
                print(in_words(shortest(found, seed, chosen.shrink) or []))
    spent = time.process_time() - began
    print(
        f"{total.tried:,} cuts, {total.tried / spent:.0f}/s, {len(total.violations)} violations; {dict(total.counts)}"
    )
    return 1 if total.violations else 0


if __name__ == "__main__":
    sys.exit(main())
