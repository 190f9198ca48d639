"""`simfs keys`, `simfs schema` and `simfs recorder`: what comes with the program and needs no run."""

from __future__ import annotations

import shutil
import sys

import click

from simfs.cli.exits import Refused, print_report


@click.command(epilog="Example: simfs keys store.size")
@click.argument("key", required=False)
def keys(key: str | None) -> None:
    """Explain every key of a scenario, or one.

    KEY is a key, alone or with its table as in store.size; a table, such as
    chip or burst; an operation, such as append; or a placeholder, such as
    date. A text longer than the terminal is shown page by page.

    The exit status is 0, or 2 if nothing is called so.
    """
    from simfs.show.scenario_keys import all_keys, keys_named

    try:
        text = keys_named(key) if key is not None else all_keys()
    except ValueError as error:
        raise Refused(f"simfs keys: {error}") from None
    if sys.stdout.isatty() and text.count("\n") >= shutil.get_terminal_size().lines - 1:
        click.echo_via_pager(text)
    else:
        print_report(text)


@click.command(epilog="Example: simfs schema > scenario.schema.json")
def schema() -> None:
    """Print the JSON Schema of a scenario, for editors that check TOML."""
    from simfs.replay.scenario.load import scenario_schema

    print_report(scenario_schema())


@click.command(epilog="Example: simfs recorder > recorder.h")
@click.option("--path", is_flag=True, help="Print where the header is instead of its text.")
def recorder(path: bool) -> None:
    """Print recorder.h, with which a firmware reports its file operations on its console.

    `simfs recorder > recorder.h` puts it beside the firmware's own sources. `simfs run` replays the lines that it
    prints.
    """
    from simfs.bridges.recorder import HEADER, header_text

    print_report(str(HEADER) if path else header_text().rstrip("\n"))
