"""Where work is done that falls into independent pieces: any `concurrent.futures.Executor`, or all cores."""

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
    """What a worker does first: a terminal sends its interrupt to the workers too, and the one that waits for them says
    so. They have nothing to say."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@contextmanager
def pool(executor: Executor | None, *, small: bool) -> Iterator[Executor]:
    """The executor that was given; without one all cores, or this process alone where the work is small. What still
    waits in a pool of our own when the work ends early is never begun."""
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
