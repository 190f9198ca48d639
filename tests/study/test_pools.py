"""Work that is shared out: in order, only so much at once, and ended at once."""

import os
import pickle
import time
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from multiprocessing import active_children
from typing import Any

import pytest

from simfs.study.pools import AHEAD, Here, Shared, in_order, processes


class Later(Executor):
    """Does nothing before somebody asks for a result; counts what is under way."""

    def __init__(self) -> None:
        self.begun = 0

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.begun += 1
        future: Future[Any] = Future()
        future.set_result(fn(*args))
        return future


def where(number: int, shared: Shared[list[int]]) -> tuple[int, int, int]:
    return number + sum(shared.value), os.getpid(), id(shared.value)


@pytest.mark.parametrize("ahead", [None, 3])
def test_only_so_many_pieces_are_under_way_at_once(ahead: int | None) -> None:
    executor, made = Later(), []
    if ahead is not None:
        executor.ahead = ahead  # type: ignore[attr-defined]

    def pieces() -> Iterator[int]:
        for number in range(1000):
            made.append(number)
            yield number

    results = in_order(executor, lambda number: 2 * number, pieces())
    assert next(results) == 0
    assert executor.begun == len(made) == (ahead or AHEAD)
    assert list(results) == list(range(2, 2000, 2))


def test_what_is_shared_is_unpickled_once_in_each_process() -> None:
    shared = Shared([1, 2])
    assert [result for result, _, _ in in_order(Here(), where, range(3), shared)] == [3, 4, 5]
    with processes(1) as executor:
        found = list(in_order(executor, where, range(20), shared))
    assert [result for result, _, _ in found] == list(range(3, 23))
    assert len({place for _, _, place in found}) == 1
    assert found[0][1] != os.getpid()
    packed = pickle.dumps(shared)
    assert pickle.loads(packed) is pickle.loads(packed)


def test_a_stop_ends_the_processes_at_once() -> None:
    def stopped() -> None:
        with processes(2) as executor:
            waiting = [executor.submit(time.sleep, 600) for _ in range(4)]
            while not waiting[0].running():
                time.sleep(0.01)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert not active_children()
