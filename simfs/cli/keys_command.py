"""`simfs keys`."""

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
