"""How a command ends: a report, or a line for each fault, and an exit code of its own."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import IO, Any

import click

UNMET, BAD_INPUT, STOPPED, READER_GONE = 1, 2, 130, 141
FAULT_SIGNS_MAX = 2000


class Refused(click.ClickException):
    """Ends the program with a line on standard error for each fault."""

    exit_code = BAD_INPUT

    def __init__(self, *faults: object) -> None:
        from simfs.show.units import plain

        super().__init__("\n".join(plain(str(fault), FAULT_SIGNS_MAX) for fault in faults))

    def show(self, file: IO[Any] | None = None) -> None:
        with suppress(BrokenPipeError):  # the exit status says it too
            print(self.message, file=sys.stderr)


class Damaged(Refused):
    """Something is missing in an image: the program ends with a line, and the status that says so."""

    exit_code = UNMET


class Stopped(Refused):
    """The user stopped the program."""

    exit_code = STOPPED

    def __init__(self) -> None:
        super().__init__("simfs: stopped")


class Commands(click.Group):
    """Commands that end with a line when the user stops them. Their help says of each in a whole sentence what it
    does."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        rows = [(name, _first_sentence(self.commands[name])) for name in sorted(self.commands)]
        with formatter.section("Commands"):
            formatter.write_dl(rows)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise Stopped from None


def _first_sentence(command: click.Command) -> str:
    return " ".join((command.help or "").partition("\n\n")[0].split())


def print_report(text: str) -> None:
    """Print to standard output. It is no error if the reader goes away, as `head` does."""
    with _output():
        print(text, flush=True)


def write_out(content: bytes) -> None:
    """Write bytes to standard output, in the same way."""
    with _output():
        sys.stdout.buffer.write(content)
        sys.stdout.buffer.flush()


@contextmanager
def _output() -> Iterator[None]:
    try:
        yield
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(READER_GONE)
    except OSError as error:
        raise Refused(f"standard output: {error.strerror}") from None
