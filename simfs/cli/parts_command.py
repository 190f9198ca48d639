"""`simfs parts` and the commands under it."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import click

from simfs.cli.exits import UNMET, Commands, Refused, print_report
from simfs.cli.inputs import check_source

if TYPE_CHECKING:
    from simfs.sfdp.decode import Tables
    from simfs.sfdp.facts import Facts


@click.group(cls=Commands, invoke_without_command=True, epilog="Example: simfs parts")
@click.pass_context
def parts(context: click.Context) -> None:
    """List the flash parts that the catalogue has."""
    if context.invoked_subcommand:
        return
    from simfs.flash.parts import PARTS
    from simfs.show.parts.catalogue import as_table

    print_report(as_table(PARTS.values()))


@parts.command(epilog="Example: simfs parts read sfdp.bin")
@click.argument("dump")
@click.option("--toml", metavar="OUT", help="Write the part to OUT as the [chip] table of a scenario.")
def read(dump: str, toml: str | None) -> None:
    """Decode the tables in which a serial part describes itself (JESD216, SFDP).

    DUMP has what command 5Ah reads from address 0 on: the bytes themselves,
    or as text their hexadecimal digits, in lines with an address in front
    ("30: e5 20 f1 ff") or without. Or it has the DWORDs of a datasheet, a
    line each: "DW1: FFF120E5"; "table FF84" begins another table than the
    basic one.

    The exit status is 0; 1 if the tables contradict themselves; 2 if they
    can't be read whole.
    """
    from simfs.sfdp.contradictions import contradictions, remarks
    from simfs.sfdp.facts import facts_of
    from simfs.show.parts.tables import as_text

    tables = _tables_in(dump)
    facts, found = facts_of(tables), contradictions(tables)
    if toml is not None:
        _write_chip(toml, dump, facts)
    print_report(as_text(dump, tables, facts, found, remarks(tables)))
    if found:
        sys.exit(UNMET)


def _tables_in(path: str) -> Tables:
    """The tables in a dump; refused with all that is wrong with them at once."""
    from simfs.sfdp.contradictions import contradictions
    from simfs.sfdp.decode import decode, typed
    from simfs.sfdp.dump import read_dump
    from simfs.sfdp.headers import AREA_BYTES_MAX

    check_source(path, "give a dump of the tables")
    try:
        with open(path, "rb") as file:
            dump = read_dump(file.read(AREA_BYTES_MAX))
    except OSError as error:
        raise Refused(f"{path}: {error.strerror}; give a dump of the tables") from None
    if dump.faults:
        raise Refused(*(f"{path}: {fault}" for fault in dump.faults))
    tables = typed(dump.tables) if dump.area is None else decode(dump.area)
    if tables.faults:
        raise Refused(*(f"{path}: {fault}" for fault in (*tables.faults, *contradictions(tables))))
    return tables


def _write_chip(out: str, dump: str, facts: Facts) -> None:
    from simfs.show.parts.chip_table import NoChip, chip_table
    from simfs.show.save import write_whole

    if os.path.exists(out) and not os.path.isfile(out):
        raise Refused(f"--toml {out}: it is not a regular file; name a file to write")
    try:
        write_whole(out, chip_table(os.path.basename(dump), facts).encode())
    except NoChip as error:
        raise Refused(f"{dump}: {error}; nothing was written") from None
    except (OSError, ValueError) as error:
        raise Refused(f"--toml {out}: {getattr(error, 'strerror', '') or error}; nothing was written") from None
