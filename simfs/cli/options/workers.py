"""Where a command does its work: the options that say it, and the executor that they mean."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import click

from simfs.cli.exits import Refused
from simfs.cli.progress import Progress, progress_bar

if TYPE_CHECKING:
    from concurrent.futures import Executor

Command = TypeVar("Command", bound=Callable[..., Any])
T = TypeVar("T")

WORKERS_MAX = 1024

cluster_option = click.option(
    "--cluster", metavar="ADDRESS", help="Work on a dask.distributed cluster: its scheduler's address."
)
_WORKERS = click.option(
    "--workers", type=click.IntRange(1, WORKERS_MAX), metavar="N", help="Processes; by default one a core."
)


def worker_options(command: Command) -> Command:
    """Add to a command the options that say where it works."""
    return _WORKERS(cluster_option(command))


def check_worker_options(workers: int | None, cluster: str | None) -> None:
    """Refuse both at once."""
    if workers is not None and cluster is not None:
        raise Refused("--workers: --cluster has workers of its own; leave out one of them")


@contextmanager
def executor_for(workers: int | None, cluster: str | None) -> Iterator[Executor | None]:
    """The executor that the options mean; None leaves it to the study."""
    from concurrent.futures.process import BrokenProcessPool

    from simfs.study.pools import processes

    try:
        if cluster is not None:
            with _cluster(cluster) as there:
                yield there
        elif workers is not None:
            with processes(workers) as here:
                yield here
        else:
            yield None
    except BrokenProcessPool:
        raise Refused(
            "simfs: a process was killed that did part of it, perhaps for want of memory; try --workers 1"
        ) from None


@contextmanager
def shared_out(
    what: str, workers: int | None, cluster: str | None
) -> Iterator[tuple[Executor | None, Progress | None]]:
    """An executor for work that can be shared out, and a bar for it."""
    with executor_for(workers, cluster) as executor, progress_bar(what) as progress:
        yield executor, progress


def whole(what: str, cluster: str | None, work: Callable[..., T], *args: Any, perhaps: str = "", **settings: Any) -> T:
    """Work that can't be shared out, with a bar: here, or on a worker of a cluster, which can't say how far it is."""
    with executor_for(None, cluster) as there, progress_bar(what, perhaps=perhaps) as progress:
        if there is None:
            return work(*args, progress=progress, **settings)
        return there.submit(work, *args, **settings).result()


@contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    from simfs.bridges.cluster import NoCluster, cluster

    try:
        with cluster(address) as there:
            yield there
    except NoCluster as error:
        raise Refused(f"--cluster {address}: {error}") from None
