"""The workers of a dask.distributed cluster as a `concurrent.futures.Executor`.

A worker that dies costs the pieces of work that it had: the scheduler gives them to others. They depend on nothing but
what they are given, so the results are the same. They come back pickled, so a cluster has to be one's own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Executor, Future
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import Any, TypeVar

import simfs
from simfs.study.pools import Shared

T = TypeVar("T")

INSTALL = "working on a cluster needs a library: pip install 'simfs[cluster]'"
PATIENCE_S = 10  # for the scheduler and its first worker
AHEAD = 2  # pieces of work under way for each thread of the workers


class NoCluster(Exception):
    """There is no cluster to work on; one line."""


class Cluster(Executor):
    """Does the work on a cluster, by the library's client. `ahead` is how many pieces should be under way at once."""

    def __init__(self, client: Any, threads: int) -> None:
        self._client = client
        self._there = client.get_executor(pure=False)  # else it would hash everything that it sends
        self._shared: dict[Shared[Any], Any] = {}
        self.ahead = AHEAD * threads

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        sent = [self._sent(arg) if isinstance(arg, Shared) else arg for arg in args]
        future: Future[T] = self._there.submit(fn, *sent, **kwargs)
        return future

    def _sent(self, shared: Shared[Any]) -> Any:
        """What all pieces of work need goes to the scheduler once, and from there to each worker once. It is the result
        of a piece of work, and so comes back when the workers that had it die."""
        there = self._shared.get(shared)
        if there is None:
            there = self._shared[shared] = self._client.submit(_unchanged, shared, pure=False)
        return there


@contextmanager
def cluster(address: str) -> Iterator[Cluster]:
    """The cluster with its scheduler at this address, such as "tcp://host:8786". What has not begun at the end of the
    block is dropped.

    NoCluster when the library is missing, nobody answers, there is no worker, or one has another simfs; and when the
    scheduler goes away, or a piece of work has ended so many workers that the scheduler gives it up.
    """
    try:
        import distributed
    except ImportError:
        raise NoCluster(INSTALL) from None
    try:
        connect: Any = distributed.Client
        client = connect(address, timeout=PATIENCE_S, set_as_default=False)
    except (OSError, ValueError, ImportError) as error:  # ImportError: of what a protocol needs
        raise NoCluster(_first_line(error)) from None
    stopped = False
    try:
        yield Cluster(client, _threads(client))
    except KeyboardInterrupt:
        stopped = True  # to close takes a second; the scheduler drops all when this process ends
        raise
    except distributed.KilledWorker as error:
        died = error.allowed_failures + 1
        raise NoCluster(f"{died} workers died of the same piece of work; look at their logs") from None
    except CancelledError:
        raise NoCluster("the scheduler went away; start it again, and this command after it") from None
    finally:
        if not stopped:
            client.close()


def _threads(client: Any) -> int:
    """How many threads work there. Makes sure that the same simfs does."""
    try:
        client.wait_for_workers(1, timeout=PATIENCE_S)
    except TimeoutError:
        raise NoCluster("it has no worker; start one, with simfs installed") from None
    here = version()
    for worker, there in client.run(version, on_error="return").items():
        if there != here:
            raise NoCluster(f"worker {worker} has another simfs, or none; install there what runs here")
    return sum(client.nthreads().values())


def version() -> str:
    """Tells one state of simfs from another: a hash over all its sources."""
    home = Path(simfs.__file__).parent
    digest = sha256()
    for path in sorted(home.rglob("*.py")):
        digest.update(path.relative_to(home).as_posix().encode() + path.read_bytes())
    return digest.hexdigest()


def _first_line(error: Exception) -> str:
    return (str(error) or type(error).__name__).splitlines()[0]


def _unchanged(shared: Shared[Any]) -> Shared[Any]:
    return shared
