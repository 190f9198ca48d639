"""`simfs try`."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from simfs.cli.exits import Refused, print_report
from simfs.cli.inputs import check_source

if TYPE_CHECKING:
    from simfs.study.film.session import Board, Outcome, Session

PROMPT = "> "
BLOCKS_MAX = 64
STEPS_SHOWN = 6
LINE_SIGNS_MAX = 4096
HELP = """Type an operation, as scenarios have them:
  append FILE CONTENT   write FILE CONTENT   create FILE [CONTENT]   update FILE AT CONTENT
  read FILE   remove FILE   rename FILE NEW-NAME   truncate FILE SIZE   list [PREFIX]
  boot   idle TIME, such as idle 10s
CONTENT is a text, in quotes if it has spaces ('06:00,2.41\\n'), or a size such as 40B.
  repeat 20 append /log 40B   does an operation 20 times
  cut 2 append /log 40B       cuts the power in its second program or erase, and mounts
  back                        takes the last one back
  save FILE.toml              saves what was typed as a scenario
  film FILE.html              saves it as a film for a browser, power cuts included
  help, quit"""


@click.command("try", epilog="Example: simfs try")
@click.argument("scenario", required=False)
def try_out(scenario: str | None) -> None:
    """Type operations on a small flash, and see what each does to it.

    After each operation it says in a sentence what was programmed and erased
    and why, and draws the erase blocks with a sign for each page. The power
    can be cut in the middle of any operation, and every step can be taken
    back. SCENARIO gives another flash and another store than the usual 8
    blocks of 1 KiB; its tasks are not run.

    Off a terminal the operations come from standard input, one a line.

    The exit status is 0, or 2 on bad input; off a terminal also for a line
    that can't be understood.
    """
    from simfs.study.film.session import Session

    session = Session(_board(scenario))
    interactive = sys.stdin.isatty()
    if interactive:
        print_report(f"{HELP}\n")
        _use_line_editing()
    for number, line in enumerate(_lines(interactive), 1):
        if not interactive:
            print_report(f"{PROMPT}{line}")
        if line == "quit":
            return
        try:
            print_report(f"{_answer(session, line, scenario)}\n")
        except ValueError as error:
            if not interactive:
                raise Refused(f"line {number}: {error}") from None
            print_report(f"{error}\n")


def _use_line_editing() -> None:
    """Arrow keys bring back what was typed, where Python has that."""
    try:
        import readline  # noqa: F401
    except ImportError:
        return


def _lines(interactive: bool) -> Iterator[str]:
    """What is typed, without empty lines and comments."""
    while True:
        try:
            line = input(PROMPT) if interactive else sys.stdin.readline()
        except EOFError:
            print_report("")
            return
        except UnicodeDecodeError:
            raise Refused("standard input: it is not UTF-8 text; give operations, one a line") from None
        if not line and not interactive:
            return
        if len(line) > LINE_SIGNS_MAX:
            raise Refused(
                f"standard input: a line is longer than {LINE_SIGNS_MAX} letters; give a size instead of a text"
            )
        if line.strip() and not line.lstrip().startswith("#"):
            yield line.strip()


def _board(scenario: str | None) -> Board:
    from simfs.flash import NorFlash
    from simfs.store.format.config import StoreConfig
    from simfs.study.film.session import Board

    if scenario is None:
        flash = NorFlash(block_count=8, block_bytes=1024, page_bytes=64)
        return Board(flash.geometry.block_count, flash.datasheet, StoreConfig())
    check_source(scenario)
    if not scenario.endswith(".toml"):
        raise Refused(f"{scenario}: only a scenario says what the flash is; give a .toml file")
    return _board_of(scenario)


def _board_of(file: str) -> Board:
    from simfs.replay.scenario.crosschecks import region_blocks
    from simfs.replay.scenario.input_faults import BadScenario
    from simfs.replay.scenario.load import load_scenario
    from simfs.study.film.session import Board

    try:
        scenario = load_scenario(file)
    except BadScenario as error:
        raise Refused(*error.faults) from None
    except OSError as error:
        raise Refused(f"{file}: {error.strerror}") from None
    if scenario.store.kind != "flash":
        raise Refused(f'{file}: [store] kind = "{scenario.store.kind}"; only a flash can be drawn by its blocks')
    count = region_blocks(scenario.chip, scenario.store)
    if count > BLOCKS_MAX:
        raise Refused(f"{file}: its store has {count} erase blocks; {BLOCKS_MAX} can be drawn, so give a smaller size")
    return Board(count, scenario.chip.datasheet(), scenario.store.config())


def _answer(session: Session, line: str, scenario: str | None) -> str:
    """What is shown for a line. ValueError says what is wrong with it."""
    from simfs.study.film.typed import parse_typed

    word, _, rest = line.partition(" ")
    if word == "help":
        return HELP
    if word == "back":
        if not session.typed:
            raise ValueError("there is nothing to take back")
        taken = session.typed[-1].line
        return f"taken back: {taken}\n{_shown(session.back(), told=False)}"
    if word == "save":
        return _saved(session, rest.strip(), scenario)
    if word == "film":
        return _filmed(session, rest.strip())
    try:
        typed = parse_typed(line)
        outcome = session.do(typed)
    except OSError as error:
        raise ValueError(f"the store can't be mounted any more: {error.strerror or error}; it is taken back") from None
    missed = typed.cut_at is not None and not any(step.cut for step in outcome.steps)
    note = f"The power stays on: there are fewer than {typed.cut_at} programs and erases in it.\n" if missed else ""
    return f"{note}{_shown(outcome, told=True)}"


def _shown(outcome: Outcome, told: bool) -> str:
    from simfs.show.film.picture import picture
    from simfs.show.film.sentences import sentence
    from simfs.show.units import plain

    view, parts = outcome.view, []
    if told:
        sentences = [sentence(step, view.block_bytes, view.page_bytes) for step in outcome.steps]
        more = len(sentences) - STEPS_SHOWN
        parts += [f"... {more} more before these"] if more > 0 else []
        parts += sentences[-STEPS_SHOWN:]
    parts += [plain(line, LINE_SIGNS_MAX) for line in outcome.found.split("\n")] if outcome.found else []
    return "\n".join([*parts, picture(view)])


def _saved(session: Session, file: str, scenario: str | None) -> str:
    from simfs.cli.outputs import check_target
    from simfs.show.film.typed_scenario import typed_scenario
    from simfs.show.save import write_whole

    if not file.endswith(".toml"):
        raise ValueError("a scenario's name ends with .toml; write for example save mine.toml")
    place = os.path.realpath(file)
    try:
        check_target(file, "save", scenario or "")
        if not session.typed:
            raise Refused("nothing was typed that could be saved; type an operation first")
        if os.path.exists(place) and place not in session.saved:
            raise Refused(f"{file}: it is there already; name another file")
        write_whole(file, typed_scenario(session, scenario).encode())
    except Refused as error:
        raise ValueError(error.message) from None
    except OSError as error:
        raise ValueError(f"{file}: {error.strerror}; nothing was written") from None
    session.saved.add(place)
    return f"{file} is written."


def _filmed(session: Session, file: str) -> str:
    from simfs.cli.options.watching import check_films, save_film
    from simfs.cli.outputs import check_target

    if not file.endswith(".html"):
        raise ValueError("a film's name ends with .html; write for example film mine.html")
    try:
        check_films()
        check_target(file, "film", "")
    except Refused as error:
        raise ValueError(error.message) from None
    faults = save_film(session.film(), file, "Operations that were typed", "What each did to the flash, step by step.")
    if faults:
        raise ValueError(faults[0])
    return f"{file} is written."
