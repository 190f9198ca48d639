"""Where independent pieces of work are done: on any `concurrent.futures.Executor`, or on all cores."""

from __future__ import annotations

import pickle
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from functools import lru_cache
from itertools import islice
from multiprocessing import active_children
from typing import Any, Generic, TypeVar

T = TypeVar("T")

AHEAD = 32  # pieces of work that are under way at once, unless the executor has its own number, as `ahead`


class Here(Executor):
    """Does everything at once, in this process."""

    ahead = 1

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        future: Future[T] = Future()
        future.set_result(fn(*args, **kwargs))
        return future


def end_at_once() -> None:
    """Called first in each worker. A terminal sends its interrupt to the workers too; they end without a word, and the
    process that waits for them says so."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


class Shared(Generic[T]):
    """Something large that every piece of work needs. It is pickled once, and unpickled once in each process."""

    def __init__(self, value: T) -> None:
        self.value = value
        self._packed = b""

    def __reduce__(self) -> tuple[Callable[[bytes], Shared[T]], tuple[bytes]]:
        if not self._packed:
            self._packed = pickle.dumps(self.value)
        return unpacked, (self._packed,)


@lru_cache(maxsize=1)
def unpacked(packed: bytes) -> Shared[Any]:
    """What was pickled."""
    return Shared(pickle.loads(packed))


@contextmanager
def processes(count: int | None = None) -> Iterator[Executor]:
    """A pool of so many processes, by default one a core. If the user stops the work, they end at once."""
    others = set(active_children())
    with ProcessPoolExecutor(count, initializer=end_at_once) as own:
        try:
            yield own
        except KeyboardInterrupt:
            for worker in set(active_children()) - others:
                worker.terminate()
            raise
        finally:
            own.shutdown(cancel_futures=True)


@contextmanager
def pool(executor: Executor | None, *, small: bool) -> Iterator[Executor]:
    """The executor that was given; without one a pool over all cores, or this process alone if the work is small."""
    if executor is not None:
        yield executor
    elif small:
        yield Here()
    else:
        with processes() as own:
            yield own


def in_order(workers: Executor, work: Callable[..., T], pieces: Iterable[Any], *shared: Shared[Any]) -> Iterator[T]:
    """What `work` makes of each piece and of what is shared, in the order of the pieces. Only so many are under way at
    once: they are made as they are needed. When nobody wants more results, those that have not begun are dropped."""
    coming = iter(pieces)
    waiting = deque(workers.submit(work, piece, *shared) for piece in islice(coming, getattr(workers, "ahead", AHEAD)))
    try:
        while waiting:
            yield waiting.popleft().result()
            waiting.extend(workers.submit(work, piece, *shared) for piece in islice(coming, 1))
    except KeyboardInterrupt:
        waiting.clear()  # the executor ends them; a pool complains of what others cancel while its processes die
        raise
    finally:
        for future in waiting:
            future.cancel()
