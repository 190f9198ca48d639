"""When a task's runs are due, with a look ahead."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence


class EveryTimes:
    """The times of a task that is due at even intervals."""

    def __init__(self, first_ns: int, every_ns: int) -> None:
        self._next_ns, self._every_ns = first_ns, every_ns

    def __iter__(self) -> Iterator[int]:
        return self

    def __next__(self) -> int:
        self._next_ns += self._every_ns
        return self._next_ns - self._every_ns

    def ahead(self, due_ns: int, before_ns: int, most: int, gap_ns: int) -> Sequence[int]:
        """The time that came last and those after it, at most so many, as long as each is before `before_ns` and
        `gap_ns` or more after the one before."""
        if gap_ns > self._every_ns:
            return (due_ns,)
        return range(due_ns, before_ns, self._every_ns)[:most]

    def skip(self, count: int) -> None:
        """Leave out the next `count` times, which were looked at."""
        self._next_ns += count * self._every_ns

    def later(self, by_ns: int) -> EveryTimes:
        """The times, each so much later."""
        return EveryTimes(self._next_ns + by_ns, self._every_ns)


class AnyTimes:
    """The times of any other task; the same look ahead."""

    def __init__(self, times: Iterator[int]) -> None:
        self._times = times
        self._seen: deque[int] = deque()

    def __iter__(self) -> Iterator[int]:
        return self

    def __next__(self) -> int:
        return self._seen.popleft() if self._seen else next(self._times)

    def ahead(self, due_ns: int, before_ns: int, most: int, gap_ns: int) -> Sequence[int]:
        found, seen = [due_ns], self._seen
        while len(found) < most:
            if len(found) > len(seen):
                following = next(self._times, None)
                if following is None:
                    break
                seen.append(following)
            following = seen[len(found) - 1]
            if not found[-1] + gap_ns <= following < before_ns:
                break
            found.append(following)
        return found

    def skip(self, count: int) -> None:
        for _ in range(count):
            self._seen.popleft()

    def later(self, by_ns: int) -> AnyTimes:
        return AnyTimes(due_ns + by_ns for due_ns in self)


Times = EveryTimes | AnyTimes
