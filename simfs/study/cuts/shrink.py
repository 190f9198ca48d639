"""Shrinks a failing case to the fewest file calls after which a cut still breaks the same promise."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from simfs.files.heard import FileCall
from simfs.flash.interrupted import Profile
from simfs.study.cuts.campaign import campaign
from simfs.study.cuts.case_text import Case, case_of, plain_data
from simfs.study.cuts.judging.states import every_operation
from simfs.study.cuts.judging.verdicts import Violation
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import History
from simfs.study.pools import Here

TRIES_MAX = 600

Calls = tuple[FileCall, ...]


def shrink(
    history: History, violation: Violation, profile: Profile | str = Profile.PROGRAM, tries_max: int = TRIES_MAX
) -> tuple[Case, CutPoint] | None:
    """The case with the fewest and shortest calls found in so many tries, and a cut in its last call that breaks the
    same promise. None if the calls up to the cut do not fail on a new store: then it also takes what the store held
    before, or time. Each try records the calls and judges the cuts in the last of them."""
    shrinking = _Shrinking(history, violation, Profile(profile), tries_max)
    calls = case_of(history, history.operations[violation.cut.operation].call + 1).calls
    if not shrinking.fails(calls):
        return None
    shrinking.use_plain_data(calls)
    calls = shrinking.shorter(shrinking.fewer(calls))
    return shrinking.result(calls)


class _Shrinking:
    """Tries calls. `plain`: they write arbitrary bytes."""

    def __init__(self, history: History, violation: Violation, profile: Profile, tries_max: int) -> None:
        self._history, self._violation, self._profile = history, violation, profile
        self._tries_left = tries_max
        self._plain = False
        self._cut = violation.cut

    def result(self, calls: Calls) -> tuple[Case, CutPoint]:
        """The case of these calls, which fail, and the cut that shows it."""
        assert self._try(calls)
        return self._case(calls), self._cut

    def use_plain_data(self, calls: Calls) -> None:
        """Write arbitrary bytes instead of what the run wrote, if the case fails with them too."""
        self._plain = True
        self._plain = self.fails(calls)

    def fails(self, calls: Calls) -> bool:
        """Whether a cut in the last of these calls breaks the promise; no when there are no tries left."""
        if not self._tries_left:
            return False
        self._tries_left -= 1
        return self._try(calls)

    def fewer(self, calls: Calls) -> Calls:
        """Leave out calls but the last, half of them first, then ever fewer at once, as long as that helps."""
        size = max(1, len(calls) // 2)
        helped = True
        while size > 1 or helped:
            helped = False
            end = len(calls) - 1
            while end > 0:
                start = max(0, end - size)
                if self.fails(calls[:start] + calls[end:]):
                    calls = calls[:start] + calls[end:]
                    helped = True
                end = start
            size = max(1, size // 2)
        return calls

    def shorter(self, calls: Calls) -> Calls:
        """Write as little as still fails."""
        for number, call in enumerate(calls):
            size = len(call.data)
            while size > 1:
                least = replace(call, data=call.data[: size // 2])
                if not self.fails((*calls[:number], least, *calls[number + 1 :])):
                    break
                calls = (*calls[:number], least, *calls[number + 1 :])
                size //= 2
        return calls

    def _case(self, calls: Calls) -> Case:
        if self._plain:
            calls = tuple(
                replace(call, data=plain_data(number, len(call.data))) if call.data else call
                for number, call in enumerate(calls)
            )
        return Case(self._history.geometry, self._history.config, calls)

    def _try(self, calls: Calls) -> bool:
        history = self._case(calls).record()
        depth = self._violation.cut.depth
        cuts = self._cuts(history, len(history.calls) - 1)
        result = campaign(history, cuts, profile=self._profile, depth=depth, executor=Here(), violations_max=None)
        same = (found.cut for found in result.violations if found.promise == self._violation.promise)
        cut = min(same, key=lambda cut: cut.depth, default=None)
        self._cut = cut or self._cut
        return cut is not None

    def _cuts(self, history: History, call: int) -> Iterator[CutPoint]:
        """In each operation of a call, a cut like the one that failed if there can be one, and a few others."""
        asked = self._violation.cut
        for cut in every_operation(history):
            operation = history.operations[cut.operation]
            if operation.call == call:
                yield cut
                length = history.geometry.block_bytes if operation.data is None else len(operation.data)
                if cut.leaves == "all" and _can_leave(asked.leaves, operation.data is None, length):
                    yield replace(asked, operation=cut.operation, then=None)


def _can_leave(leaves: str, erase: bool, length: int) -> bool:
    kind, _, amount = leaves.partition(" ")
    units = 8 * length if kind == "bits" else length
    return erase == (kind in ("zeros", "rising", "raised", "weak")) and (not amount.isdecimal() or int(amount) <= units)
