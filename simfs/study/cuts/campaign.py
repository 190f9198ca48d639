"""Cuts the power everywhere in a recorded run, and judges what each cut leaves, on all cores.

The run itself is not repeated: each worker gets the flash as it was before its first cut, and goes on from there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from itertools import groupby

from simfs.flash import Rng
from simfs.flash.interrupted import Profile
from simfs.flash.trace import Change
from simfs.study.cuts.judging.judge import Allowed, Judge, Rules
from simfs.study.cuts.judging.states import Chip, any_leaves, every_operation
from simfs.study.cuts.judging.verdicts import CampaignResult, Found, Violation
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import Contents, Event, History, Operation
from simfs.study.pools import in_order, pool

Progress = Callable[[int, int], None]
"""Called with the number of states judged so far, and the number of all cuts."""

CUTS_PER_CHUNK = 256


@dataclass(frozen=True, slots=True)
class Chunk:
    """Some cuts in a row and what it takes to judge them: the chip and the contents just before the first operation
    that is cut, the operations, and the events from there on."""

    rules: Rules
    depth: int
    cuts: tuple[CutPoint, ...]
    first: int
    operations: tuple[Operation, ...]
    ends: dict[int, tuple[int, int]]  # (F, i) by call
    chip: Chip
    event: int
    contents: Contents
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class ChunkResult:
    """The outcome of a chunk."""

    states: int
    violations: tuple[Violation, ...]
    found: tuple[Found, ...]
    counts: dict[str, int]


def campaign(
    history: History,
    cuts: Iterable[CutPoint] | None = None,
    *,
    profile: Profile | str = Profile.PROGRAM,
    depth: int = 1,
    executor: Executor | None = None,
    progress: Progress | None = None,
    violations_max: int | None = 20,
) -> CampaignResult:
    """Judge the state that each cut leaves; without `cuts`, of a few in every flash operation.

    With `depth` 2 each recovery is cut as well, in each of its own operations; with 3 one of those recoveries too.
    `executor` may be any; without one, a pool of processes over all cores. The result does not depend on it. The
    campaign ends early once there are `violations_max`. ValueError for a cut that the run does not have.
    """
    ordered = sorted(every_operation(history) if cuts is None else cuts, key=lambda cut: cut.operation)
    if ordered and ordered[-1].operation >= len(history.operations):
        raise ValueError(f"{ordered[-1]}: the run has {len(history.operations)} flash operations, the first is 0")
    rules = Rules(history.datasheet, history.config, Profile(profile))
    total = _Total(violations_max)
    with pool(executor, small=len(ordered) <= CUTS_PER_CHUNK) as workers:
        for result in in_order(workers, judge_chunk, chunks_of(history, ordered, rules, depth)):
            total.add(result)
            if progress:
                progress(total.states, len(ordered))
            if total.full:
                break
    return total.result()


class _Total:
    """Sums up the chunks in their order."""

    def __init__(self, violations_max: int | None) -> None:
        self.states = 0
        self._violations_max = violations_max
        self._violations: list[Violation] = []
        self._found: Counter[tuple[int, int]] = Counter()
        self._counts: Counter[str] = Counter()

    @property
    def full(self) -> bool:
        return self._violations_max is not None and len(self._violations) >= self._violations_max

    def add(self, result: ChunkResult) -> None:
        self.states += result.states
        self._violations += result.violations
        self._counts.update(result.counts)
        for found in result.found:
            self._found[found.operation, found.event] += found.states

    def result(self) -> CampaignResult:
        found = tuple(Found(*key, states) for key, states in sorted(self._found.items()))
        violations = tuple(self._violations[: self._violations_max])
        return CampaignResult(self.states, violations, found, dict(sorted(self._counts.items())))


def chunks_of(history: History, cuts: list[CutPoint], rules: Rules, depth: int) -> Iterator[Chunk]:
    """The cuts in chunks, each with the flash as it is before its first cut."""
    chip = Chip.holding(history.image, history.geometry, history.erase_counts)
    contents = dict(history.contents)
    event = operation = 0
    for start in range(0, len(cuts), CUTS_PER_CHUNK):
        some = tuple(cuts[start : start + CUTS_PER_CHUNK])
        first, last = some[0].operation, some[-1].operation
        chip.apply_all(one.change for one in history.operations[operation:first])
        operation = first
        fewest, most = history.allowed(first)[0], history.allowed(last)[1]
        for one in history.events[event:fewest]:
            one.apply(contents)
        event = fewest
        operations = history.operations[first : last + 1]
        ends = {one.call: history.events_in(one.call) for one in operations}
        yield Chunk(
            rules=rules,
            depth=depth,
            cuts=some,
            first=first,
            operations=operations,
            ends=ends,
            chip=chip.copy(),
            event=event,
            contents=dict(contents),
            events=history.events[event:most],
        )


def judge_chunk(chunk: Chunk) -> ChunkResult:
    """Judge all cuts of a chunk, one operation after the other."""
    return _ChunkJudge(chunk).result()


class _ChunkJudge:
    """Goes through the cuts of a chunk with one chip, and copies it for each."""

    def __init__(self, chunk: Chunk) -> None:
        self._chunk = chunk
        self._chip = chunk.chip
        self._contents, self._event = dict(chunk.contents), chunk.event
        self._judge_of_all = Judge(chunk.rules, chunk.chip.geometry.block_count)
        self._call = -1
        self._allowed: Allowed = []
        self._states = 0
        self._violations: list[Violation] = []
        self._found: Counter[tuple[int, int]] = Counter()
        self._counts: Counter[str] = Counter()

    def result(self) -> ChunkResult:
        at = self._chunk.first
        for number, cuts in groupby(self._chunk.cuts, key=lambda cut: cut.operation):
            self._chip.apply_all(one.change for one in self._operations(at, number))
            at = number
            operation = self._chunk.operations[number - self._chunk.first]
            self._allow(operation.call)
            for cut in cuts:
                chip = self._chip.copy()
                self._cut(chip, operation.change, cut, cut)
        found = tuple(Found(*key, states) for key, states in self._found.items())
        return ChunkResult(self._states, tuple(self._violations), found, dict(self._counts))

    def _operations(self, start: int, stop: int) -> tuple[Operation, ...]:
        first = self._chunk.first
        return self._chunk.operations[start - first : stop - first]

    def _allow(self, call: int) -> None:
        """Go on to the contents that a cut in this call may leave."""
        if call == self._call:
            return
        self._call = call
        chunk = self._chunk
        fewest, most = chunk.ends[call]
        for one in chunk.events[self._event - chunk.event : fewest - chunk.event]:
            one.apply(self._contents)
        self._event = fewest
        contents = dict(self._contents)
        allowed = [(fewest, dict(contents))]
        for event in range(fewest, most):
            chunk.events[event - chunk.event].apply(contents)
            allowed.append((event + 1, dict(contents)))
        self._allowed = allowed

    def _cut(self, chip: Chip, change: Change, cut: CutPoint, whole: CutPoint) -> None:
        """Judge what the cut leaves, or what the one that follows it in the recovery does."""
        chip.cut(change, cut, self._chunk.rules.profile)
        if cut.then is not None:
            before = chip.copy()
            recovery = self._recovery(chip, whole)
            if cut.then.operation >= len(recovery):
                raise ValueError(f"{whole}: the recovery has {len(recovery)} flash operations, the first is 0")
            before.apply_all(recovery[: cut.then.operation])
            self._cut(before, recovery[cut.then.operation], cut.then, whole)
            return
        kind = "erase" if change.data is None else "program"
        self._counts[f"{kind}: {cut.leaves.partition(' ')[0]}"] += 1
        self._judge(chip, whole)

    def _recovery(self, chip: Chip, whole: CutPoint) -> tuple[Change, ...]:
        return self._judge_of_all.verdict(chip, self._allowed, whole).recovery

    def _judge(self, chip: Chip, cut: CutPoint) -> None:
        before = chip.copy() if cut.depth < self._chunk.depth else None
        verdict = self._judge_of_all.verdict(chip, self._allowed, cut)
        self._states += 1
        if verdict.event is not None:
            self._found[cut.operation, verdict.event] += 1
        if verdict.violation is not None:
            self._violations.append(verdict.violation)
        elif before is not None:
            self._cut_recovery(before, verdict.recovery, cut)

    def _cut_recovery(self, chip: Chip, recovery: tuple[Change, ...], cut: CutPoint) -> None:
        """Cut the recovery in each of its operations; a recovery from a second cut in one of them."""
        rng = Rng(0, "recovery", str(cut))
        steps = range(len(recovery))
        if cut.depth > 1 and recovery:
            drawn = rng.below(len(recovery))
            steps = range(drawn, drawn + 1)
        for step in steps:
            before = chip.copy()
            before.apply_all(recovery[:step])
            last = CutPoint(step, any_leaves(recovery[step], chip.geometry, rng))
            before.cut(recovery[step], last, self._chunk.rules.profile)
            self._counts["in a recovery"] += 1
            self._judge(before, cut.followed_by(last))
