"""Shrinks a life that breaks a promise: fewer cuts, fewer calls, less data."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Generic, TypeVar

from simfs.study.cuts.lives.session import Session

C = TypeVar("C")


def shrink(
    sessions: list[Session[C]],
    live: Callable[[list[Session[C]]], str | None],
    shorter: Callable[[C], C | None],
    sessions_max: int,
) -> list[Session[C]] | None:
    """The life with the fewest sessions and calls that breaks the same promise, of those found while so many sessions
    were lived in all; None if this one breaks none.

    `live` lives sessions on a new store: the kind of violation, if any. It leaves out what can't be done, and notes the
    changes. `shorter` gives a call with less data, or None.
    """
    shrinking = _Shrinking(live, shorter, sessions_max)
    return shrinking.result(sessions)


class _Shrinking(Generic[C]):
    def __init__(
        self,
        live: Callable[[list[Session[C]]], str | None],
        shorter: Callable[[C], C | None],
        sessions_max: int,
    ) -> None:
        self._live, self._shorter, self._left = live, shorter, sessions_max
        self._best: list[Session[C]] = []
        self._kind: str | None = None

    def result(self, sessions: list[Session[C]]) -> list[Session[C]] | None:
        self._best = copy.deepcopy(sessions)
        self._kind = self._live(self._best)
        if self._kind is None:
            return None
        size = 0
        while self._left > 0 and size != self._size():
            size = self._size()
            self._fewer_sessions()
            self._fewer_cuts()
            self._fewer_calls()
            self._less_data()
        return self._best

    def _size(self) -> int:
        return sum(1 + len(session.calls) for session in self._best)

    def _fails(self, sessions: list[Session[C]]) -> bool:
        """Whether these break the promise too; then they are the best so far."""
        if self._left <= 0:
            return False
        self._left -= len(sessions)
        if self._live(sessions) != self._kind:
            return False
        self._best = sessions
        return True

    def _fewer_sessions(self) -> None:
        """Leave out many at once first, then ever fewer."""
        size = len(self._best) // 2
        while size:
            end = len(self._best) - 1
            while end > 0 and self._left > 0:
                start = max(0, end - size)
                self._fails(copy.deepcopy(self._best[:start] + self._best[end:]))
                end = min(start, len(self._best) - 1)
            size //= 2

    def _fewer_cuts(self) -> None:
        """Make one session of two, without a cut between them."""
        number = len(self._best) - 2
        while number >= 0 and self._left > 0:
            first, second = copy.deepcopy(self._best[number : number + 2])
            if second.changes:  # it was not cut in its recovery
                first_changes = sum(first.changes)
                joined: Session[C] = Session(second.seed, first_changes + second.cut_after - second.changes[0])
                joined.calls = first.calls + second.calls
                rest = copy.deepcopy(self._best[number + 2 :])
                self._fails([*copy.deepcopy(self._best[:number]), joined, *rest])
            number = min(number - 1, len(self._best) - 2)

    def _fewer_calls(self) -> None:
        for number in range(len(self._best) - 1, -1, -1):
            if number >= len(self._best):
                continue
            size = max(1, len(self._best[number].calls) // 2)
            while size and number < len(self._best):
                end = len(self._best[number].calls)
                while end > 0 and self._left > 0 and number < len(self._best):
                    start = max(0, end - size)
                    self._fails(self._without(number, start, end))
                    end = start
                size //= 2

    def _without(self, number: int, start: int, end: int) -> list[Session[C]]:
        """Without some calls of a session, and with its cut as far behind the calls before it as it was."""
        sessions = copy.deepcopy(self._best)
        session = sessions[number]
        session.cut_after -= sum(session.changes[1 + start : 1 + end])
        session.cut_after = max(session.cut_after, 0)
        del session.calls[start:end]
        return sessions

    def _less_data(self) -> None:
        for number, session in enumerate(list(self._best)):
            for place in range(len(session.calls)):
                self._shorten(number, place)

    def _shorten(self, number: int, place: int) -> None:
        while self._left > 0 and number < len(self._best) and place < len(self._best[number].calls):
            less = self._shorter(self._best[number].calls[place])
            if less is None:
                return
            sessions = copy.deepcopy(self._best)
            sessions[number].calls[place] = less
            if not self._fails(sessions):
                return
