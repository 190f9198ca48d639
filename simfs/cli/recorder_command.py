"""`simfs recorder`."""

from __future__ import annotations

import click

from simfs.cli.exits import print_report


@click.command(epilog="Example: simfs recorder > recorder.h")
@click.option("--path", is_flag=True, help="Print where the header is instead of its text.")
def recorder(path: bool) -> None:
    """Print recorder.h, with which a firmware reports its file operations on its console.

    `simfs recorder > recorder.h` puts it beside the firmware's own sources. `simfs run` replays the lines that it
    prints.
    """
    from simfs.bridges.recorder import HEADER, header_text

    print_report(str(HEADER) if path else header_text().rstrip("\n"))
