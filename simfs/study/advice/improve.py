"""Runs what may help a scenario, and sorts it by what it brings."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from typing import Any

from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.scenario.load import load_scenario, load_table
from simfs.study.advice.idea import Idea, together, with_changes
from simfs.study.advice.of_store import of_store
from simfs.study.advice.of_tasks import of_tasks
from simfs.study.advice.risk import readings_at_risk
from simfs.study.pools import in_order, pool
from simfs.study.sweep import Progress, Summary, Variant, run_all

COMBINED_OF = 3  # the best so many are tried together
GAIN_MIN = 1.01
YEAR_NS = 365 * NS_PER_DAY
LIFE_LONG_NS = 30 * YEAR_NS  # whose flash lasts so long needs something else first
NEVER_NS = 1000 * YEAR_NS  # what a store that never fills up counts as


class CannotImprove(ValueError):
    """Nothing can be said about this scenario; the text says why, and what would be right."""


@dataclass(frozen=True, slots=True)
class Aim:
    """What is to get better: a figure of a run, and whether more of it is better."""

    name: str
    figure: Callable[[Summary], float | None]
    more_is_better: bool = False

    def gain(self, before: Summary, after: Summary) -> float:
        """How many times better it has become; above 1 is better."""
        first, then = self.figure(before), self.figure(after)
        if not first or not then:
            return 1.0
        return then / first if self.more_is_better else first / then


AIMS = {
    aim.name: aim
    for aim in (
        Aim("room", lambda of: of.full_ns or NEVER_NS, more_is_better=True),
        Aim("life", lambda of: of.life_ns, more_is_better=True),
        Aim("longest-write", lambda of: of.longest_write_ns),
        Aim("energy", lambda of: of.energy_a_day_nj),
    )
}


@dataclass(frozen=True, slots=True)
class Tried:
    """One idea and what came of it; the scenario as it is has an idea without changes. `at_risk` is the most readings
    that a power cut takes; None where nobody looked."""

    idea: Idea
    variant: Variant
    at_risk: int | None
    gain: float = 1.0
    is_safer: bool = False  # a power cut takes fewer readings, and nothing that is expected breaks

    @property
    def helps(self) -> bool:
        return self.variant.summary is not None and self.gain >= GAIN_MIN


@dataclass(frozen=True, slots=True)
class Advice:
    """All that was tried. `better` has the best first, and then what is only safer; `rest` brought neither, broke
    something that the scenario expects, or could not be run."""

    title: str
    source: str
    aim: str
    as_it_is: Tried
    better: tuple[Tried, ...]
    rest: tuple[Tried, ...]


def improve(
    path: str | Path, *, aim: str = "", executor: Executor | None = None, progress: Progress | None = None
) -> Advice:
    """Run a scenario as it is, with each idea, and with the best ones together.

    `aim` is a key of `AIMS`; without one it is what ends the device first. Each idea costs about one run of the
    scenario; those about power cuts a campaign of some 60 cuts as well. `BadScenario` for the file, `OSError` where it
    can't be read, `CannotImprove` where no idea is for it.
    """
    scenario, table = load_scenario(path), load_table(path)
    if scenario.store.kind != "flash":
        raise CannotImprove(f'[store] kind = "{scenario.store.kind}": changes are found for a store on flash only')
    (as_it_is,) = _tried(path, table, [Idea("as it is", (), is_about_cuts=True)], executor, None)
    if as_it_is.variant.summary is None:
        raise CannotImprove(f"it can't be run as it is: {'. '.join(as_it_is.variant.refused)}")
    wanted = AIMS[aim or _most_needed(as_it_is)]
    ideas = [*of_tasks(scenario, table, as_it_is.variant.summary.full_ns), *of_store(scenario)]
    judged = [_judged(wanted, as_it_is, one) for one in _tried(path, table, ideas, executor, progress)]
    best = _best_together(judged)
    more = [together(group) for count in (2, 3) for group in combinations(best, count)]
    judged += [_judged(wanted, as_it_is, one) for one in _tried(path, table, more, executor, progress)]
    better = sorted((one for one in judged if one.helps), key=lambda one: (-one.gain, one.at_risk or 0))
    better += [one for one in judged if one.is_safer and not one.helps]
    rest = tuple(one for one in judged if not one.helps and not one.is_safer)
    return Advice(scenario.title or Path(path).stem, str(path), wanted.name, as_it_is, tuple(better), rest)


def _best_together(judged: list[Tried]) -> list[Idea]:
    """The best ideas that can all be done at once."""
    found: list[Idea] = []
    for one in sorted((one for one in judged if one.helps), key=lambda one: -one.gain):
        if len(found) < COMBINED_OF and all(one.idea.goes_with(other) for other in found):
            found.append(one.idea)
    return found


def _most_needed(as_it_is: Tried) -> str:
    """What ends the device first, or else what may be in the way: the longest write if an expectation of it is not met,
    then energy."""
    of = as_it_is.variant.summary
    if of is None:
        return "life"
    if of.full_ns is not None and (of.life_ns is None or of.full_ns < of.life_ns):
        return "room"
    if any(verdict.name.startswith("write_stall") for verdict in as_it_is.variant.unmet):
        return "longest-write"
    return "life" if of.life_ns is not None and of.life_ns < LIFE_LONG_NS else "energy"


def _tried(
    path: str | Path, table: dict[str, Any], ideas: list[Idea], executor: Executor | None, progress: Progress | None
) -> list[Tried]:
    """Each idea run, and those about power cuts cut as well."""
    if not ideas:
        return []
    tables = [with_changes(table, idea.changes) for idea in ideas]
    runs = run_all(path, ((one, {}) for one in tables), len(tables), executor, progress, looks_ahead=True)
    cut = [
        changed for changed, run, idea in zip(tables, runs, ideas, strict=True) if run.summary and idea.is_about_cuts
    ]
    with pool(executor, small=len(cut) < 2) as workers:
        risks = in_order(workers, readings_at_risk, cut)
        return [
            Tried(idea, run, next(risks) if run.summary and idea.is_about_cuts else None)
            for idea, run in zip(ideas, runs, strict=True)
        ]


def _judged(aim: Aim, as_it_is: Tried, one: Tried) -> Tried:
    """With what it brings; nothing, where it refuses or loses more, or where an expectation is no longer met."""
    before, after = as_it_is.variant.summary, one.variant.summary
    if before is None or after is None:
        return one
    newly_unmet = {verdict.name for verdict in one.variant.unmet} - {verdict.name for verdict in as_it_is.variant.unmet}
    worse = after.refused_operations > before.refused_operations or after.lost_records > before.lost_records
    at_risk = as_it_is.at_risk if one.at_risk is None else one.at_risk
    if newly_unmet or worse:
        return replace(one, gain=0.0, at_risk=at_risk)
    is_safer = at_risk is not None and as_it_is.at_risk is not None and at_risk < as_it_is.at_risk
    return replace(one, gain=aim.gain(before, after), at_risk=at_risk, is_safer=is_safer)
