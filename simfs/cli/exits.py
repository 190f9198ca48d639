"""How a command goes and ends: a progress bar, processes to work in; a report, or a line for each fault and an exit
code of its own."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import IO, TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from concurrent.futures import Executor

Progress = Callable[[int, int], None]

UNMET, BAD_INPUT, STOPPED, READER_GONE = 1, 2, 130, 141
FAULT_SIGNS_MAX = 2000
WORKERS_MAX = 1024


class Refused(click.ClickException):
    """Ends the program with a line on standard error for each fault."""

    exit_code = BAD_INPUT

    def __init__(self, *faults: object) -> None:
        from simfs.show.units import plain

        super().__init__("\n".join(plain(str(fault), FAULT_SIGNS_MAX) for fault in faults))

    def show(self, file: IO[Any] | None = None) -> None:
        print(self.message, file=sys.stderr)


class Damaged(Refused):
    """Something is missing in an image: the program ends with a line, and the status that says so."""

    exit_code = UNMET


class Stopped(Refused):
    """The user stopped the program."""

    exit_code = STOPPED


@contextmanager
def progress_bar() -> Iterator[Progress | None]:
    """A bar that vanishes at the end. Only a terminal gets one."""
    if not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm

    shape = "{percentage:3.0f} % |{bar}| {elapsed} so far, {remaining} to go"
    with tqdm(leave=False, delay=1, file=sys.stderr, bar_format=shape) as bar:

        def tell(done: int, whole: int) -> None:
            bar.total = whole
            bar.update(done - bar.n)

        yield tell


@contextmanager
def worker_pool(workers: int | None) -> Iterator[Executor | None]:
    """A pool of so many processes; None leaves the number to the study."""
    if workers is None:
        yield None
        return
    from concurrent.futures import ProcessPoolExecutor

    from simfs.study.pools import end_at_once

    with ProcessPoolExecutor(workers, initializer=end_at_once) as pool:
        try:
            yield pool
        finally:
            pool.shutdown(cancel_futures=True)


def print_report(text: str) -> None:
    """Print to standard output. It is no error if the reader goes away, as `head` does."""
    try:
        print(text, flush=True)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(READER_GONE)
    except OSError as error:
        raise Refused(f"standard output: {error.strerror}") from None
