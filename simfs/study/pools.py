"""Where independent pieces of work are done: on any `concurrent.futures.Executor`, or on all cores."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any, TypeVar

T = TypeVar("T")


class Here(Executor):
    """Does everything at once, in this process."""

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        future: Future[T] = Future()
        future.set_result(fn(*args, **kwargs))
        return future


def end_at_once() -> None:
    """Called first in each worker. A terminal sends its interrupt to the workers too; they end without a word, and the
    process that waits for them says so."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@contextmanager
def pool(executor: Executor | None, *, small: bool) -> Iterator[Executor]:
    """The executor that was given; without one a pool over all cores, or this process alone if the work is small. If
    the work ends early, a pool of our own does not begin what still waits."""
    if executor is not None:
        yield executor
    elif small:
        yield Here()
    else:
        with ProcessPoolExecutor(initializer=end_at_once) as own:
            try:
                yield own
            finally:
                own.shutdown(cancel_futures=True)
