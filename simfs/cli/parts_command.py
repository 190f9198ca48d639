"""`simfs parts` and the commands under it."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from simfs.cli.exits import UNMET, Commands, Refused, print_report
from simfs.cli.inputs import check_source

if TYPE_CHECKING:
    from simfs.flash.parts.search import Range, Wanted
    from simfs.sfdp.decode import Tables
    from simfs.sfdp.facts import Facts

FAULTS_SHOWN = 8  # of a file that is something else there are thousands


class _Catalogue(Commands):
    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        from simfs.flash.parts import PARTS

        name = args[0]
        if name not in self.commands and any(part.lower().startswith(name.lower()) for part in PARTS):
            raise Refused(
                f"simfs parts: {name} is no command; `simfs parts show NAME` prints a part, --name finds some"
            )
        return super().resolve_command(ctx, args)


@click.group(cls=_Catalogue, invoke_without_command=True, epilog="Example: simfs parts --size 1MiB..4MiB --block 4KiB")
@click.option("--size", metavar="RANGE", help="Only parts of this size, such as 4MiB, 1MiB..4MiB, 4MiB.. or ..4MiB.")
@click.option("--block", metavar="RANGE", help="Only parts with this erase block, such as 4KiB or ..64KiB.")
@click.option("--cycles", metavar="RANGE", help="Only parts rated for so many erases of a block, such as 100000..")
@click.option("--serial", is_flag=True, help="Only serial flash.")
@click.option("--built-in", is_flag=True, help="Only flash that is built into a microcontroller.")
@click.option("--name", metavar="TEXT", default="", help="Only parts with this in their name.")
@click.pass_context
def parts(context: click.Context, /, **wanted: Any) -> None:
    """List the flash parts that the catalogue has, all or those that you look for.

    The exit status is 0; 1 if no part is like that; 2 for options that can't
    be read.
    """
    given = [option for option, value in wanted.items() if value]
    if context.invoked_subcommand:
        if given:
            raise Refused(f"--{given[0].replace('_', '-')}: it is for the list; leave it out, or leave out the command")
        return
    from simfs.flash.parts import PARTS
    from simfs.flash.parts.search import found
    from simfs.show.parts.catalogue import as_table

    fitting = list(found(PARTS.values(), _wanted(**wanted)))
    if not fitting:
        print_report("no part in the catalogue is like that")
        sys.exit(UNMET)
    print_report(as_table(fitting))


def _wanted(size: str | None, block: str | None, cycles: str | None, **others: Any) -> Wanted:
    from simfs.flash.parts.search import Wanted
    from simfs.replay.scenario.quantities import parse_size

    return Wanted(
        size_bytes=_range("size", size, parse_size, "1MiB..4MiB"),
        block_bytes=_range("block", block, parse_size, "4KiB..64KiB"),
        cycles=_range("cycles", cycles, _count, "10000..100000"),
        **others,
    )


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) <= 12):
        raise ValueError(f'"{text}" is no count; write digits alone, such as 100000')
    return int(text)


def _range(option: str, text: str | None, parse: Callable[[str], int], example: str) -> Range:
    """What `LEAST..MOST` says; either may be left out, and one value alone is both."""
    from simfs.flash.parts.search import Range

    if text is None:
        return Range()
    least, dots, most = text.partition("..")
    try:
        if not least and not most:
            raise ValueError(f"this is no range; write for example {example}")
        first, last = (parse(end) if end else None for end in (least, most))
        if first is not None and last is not None and first > last:
            raise ValueError("the first is more than the second; write the least first")
    except ValueError as error:
        raise Refused(f"--{option} {text}: {error}") from None
    return Range(first, last if dots else first)


@parts.command(epilog="Example: simfs parts show W25Q32JV")
@click.argument("part")
def show(part: str) -> None:
    """Print one part of the catalogue whole, with the source of each figure."""
    from simfs.flash.parts import PARTS
    from simfs.replay.scenario.near_words import did_you_mean
    from simfs.show.parts.one_part import as_text

    if part not in PARTS:
        near = did_you_mean(part, PARTS)
        raise Refused(f"{part}: there is no such part in the catalogue; {near}known are {', '.join(PARTS)}")
    print_report(as_text(PARTS[part]))


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
        more = len(dump.faults) - FAULTS_SHOWN
        rest = [f"{path}: {more:,} more like these; give a dump of the tables"] if more > 0 else []
        raise Refused(*(f"{path}: {fault}" for fault in dump.faults[:FAULTS_SHOWN]), *rest)
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
