"""`simfs new`: answers are given by options, or asked for on a terminal until they are right."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Protocol, TypeVar

import click

from simfs.cli.exits import Refused, print_report

if TYPE_CHECKING:
    from simfs.replay.starters.answers import Flash
    from simfs.replay.starters.kinds import Kind
    from simfs.replay.starters.text import Answers

Found = TypeVar("Found")

FILE_LETTERS_MAX = 200  # of a name within a comment
QUESTION_OF_FLASH = "The flash: a part that `simfs parts` lists, or the size of the chip"


@click.command(epilog="Example: simfs new logger --every 5min --keep 30d")
@click.argument("kind", required=False)
@click.argument("file", required=False)
@click.option("--part", metavar="NAME", help="The chip; `simfs parts` lists them.")
@click.option(
    "--chip-size", metavar="SIZE", help="The chip's size, such as 4MiB: no part, or with one that has several sizes."
)
@click.option("--cycles", metavar="N", help="With --chip-size: how many erases a block is rated for.")
@click.option("--size", metavar="SIZE", help="The store's size; it takes the end of the chip.")
@click.option("--every", metavar="TIME", help="How often the device writes, such as 10min.")
@click.option(
    "--text", metavar="TEXT", help="What it writes each time: text such as '{time},{level}\\n', or a size such as 64B."
)
@click.option("--keep", metavar="TIME", help="How long the device keeps it, such as 60d.")
@click.option("--overwrite", is_flag=True, help="Write over FILE if it is there already.")
def new(kind: str | None, file: str | None, overwrite: bool, **given: str | None) -> None:
    """Write a first scenario into FILE, ready to be replayed and changed.

    \b
    KIND is what the device does with its files:
      logger    readings at a steady pace, a file for each day
      settings  one small file, written whole and renamed over the old one
      ring      the newest samples in one file of fixed size
      events    events that come in bursts, a file for each day
      queue     messages that wait in a file each until they are sent

    FILE is KIND.toml if you name none. Without options, on a terminal, it
    asks a few questions; what you don't say is as in the example of the kind.

    The exit status is 0, or 2 on bad input.
    """
    from simfs.replay.starters.text import maybe_mistyped

    if kind is not None and kind.endswith(".toml"):
        raise Refused(f"simfs new: {kind} is no kind of device; write the kind first, as in simfs new logger {kind}")
    asked = not any(given.values()) and sys.stdin.isatty() and sys.stderr.isatty()
    ask: Answer = OnTerminal() if asked else ByOptions(given)
    chosen = _kind(kind, asked)
    target = file or f"{chosen.name}.toml"
    _check_target(target, overwrite)
    shown = _in_a_shell(target)
    answers = _answers(chosen, ask, given)
    _write(target, _checked(answers, shown))
    for line in maybe_mistyped(answers.content):
        click.echo(f"{shown}: {line}", err=True)
    print_report(f"{shown} is written. Replay it:\n\n  simfs run {shown}")


def _in_a_shell(file: str) -> str:
    """A file's name as a shell takes it, on one line."""
    from simfs.show.units import plain

    return plain(shlex.quote(file), FILE_LETTERS_MAX)


def _kind(given: str | None, asked: bool) -> Kind:
    from simfs.replay.starters.answers import kind_of
    from simfs.replay.starters.kinds import KINDS

    if given is None and asked:
        for kind in KINDS.values():
            click.echo(f"  {kind.name:10}{kind.about}", err=True)
        return OnTerminal().ask("kind", "What the device does with its files", next(iter(KINDS)), kind_of)
    if given is None:
        raise Refused(f"simfs new: it is not said what kind of device; give one of {', '.join(KINDS)}")
    try:
        return kind_of(given)
    except ValueError as error:
        raise Refused(f"simfs new: {error}") from None


def _answers(kind: Kind, ask: Answer, given: dict[str, str | None]) -> Answers:
    from simfs.replay.scenario.quantities import format_duration, format_size
    from simfs.replay.starters.answers import content_of, duration_of, store_bytes_of, usual_store_bytes
    from simfs.replay.starters.text import Answers, check_room, usual_keep_ns

    flash = ask.flash(QUESTION_OF_FLASH)
    usual = format_size(usual_store_bytes(kind, flash))
    whole = format_size(flash.whole_bytes)
    store_bytes = ask.ask("size", f"Size of the store, of {whole}", usual, lambda text: store_bytes_of(text, flash))
    every_ns = ask.ask("every", f"{kind.every_means.capitalize()}", kind.every, duration_of)

    def fitting(answers: Answers) -> Answers:
        check_room(answers)
        return answers

    once = ask.ask(
        "text", f"{kind.content_means.capitalize()}", kind.content,
        lambda text: fitting(Answers(kind, flash, store_bytes, every_ns, content_of(text, kind), 0)),
    )  # fmt: skip
    if not kind.keep:
        if given["keep"]:
            raise Refused("--keep: it is for what grows old, and settings replace each other; leave it out")
        return once
    usual_ns = usual_keep_ns(kind, flash, store_bytes, every_ns, once.content)
    return ask.ask(
        "keep", kind.keep_means.capitalize(), format_duration(usual_ns),
        lambda text: fitting(Answers(kind, flash, store_bytes, every_ns, once.content, duration_of(text))),
    )  # fmt: skip


def _checked(answers: Answers, file: str) -> str:
    """The scenario's text, once it is sure that it can be replayed."""
    from simfs.replay.scenario.input_faults import BadScenario
    from simfs.replay.scenario.load import parse_scenario
    from simfs.replay.starters.text import scenario_text

    text = scenario_text(answers, file)
    try:
        parse_scenario(text.encode(), file)
    except BadScenario as error:
        raise Refused(*(f"simfs new: {fault.path} would be wrong: {fault.what}" for fault in error.faults)) from None
    return text


def _check_target(file: str, overwrite: bool) -> None:
    """Refuse a file that can't be written, or ask whether to write over it."""
    if not file.endswith(".toml"):
        stem = os.path.splitext(file.rstrip("/"))[0] or "logger"
        raise Refused(f"{file}: a scenario's name ends with .toml; write for example {stem}.toml")
    directory = os.path.dirname(file)
    if directory and not os.path.isdir(directory):
        raise Refused(f"{file}: there is no directory {directory}; create it first")
    if not os.path.lexists(file):
        return
    if not os.path.isfile(file):
        raise Refused(f"{file}: it is not a regular file; name a file to write")
    if overwrite:
        return
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise Refused(f"{file}: it is there already; name another file, or add --overwrite")
    if not click.confirm(f"{file} is there already. Write over it?", err=True):
        raise Refused(f"{file}: it stays as it is; name another file")


def _write(file: str, text: str) -> None:
    from simfs.show.save import write_whole

    try:
        write_whole(file, text.encode())
    except OSError as error:
        raise Refused(f"{file}: {error.strerror}; nothing was written") from None
    except ValueError:  # a NUL in the name
        raise Refused(f"{file}: this can't be a file name") from None


class Answer(Protocol):
    """Gives answers. `parse` makes a value of the text; its `ValueError` says what is wrong."""

    def ask(self, option: str, question: str, usual: str, parse: Callable[[str], Found]) -> Found:
        """The answer to one question; `usual` is the one of somebody who says nothing."""

    def flash(self, question: str) -> Flash:
        """The chip."""


class ByOptions:
    """Takes what the options say. A wrong answer ends the program with a line that names its option."""

    def __init__(self, given: Mapping[str, str | None]) -> None:
        self._given = given

    def ask(self, option: str, question: str, usual: str, parse: Callable[[str], Found]) -> Found:
        given = self._given[option]
        try:
            return parse(usual if given is None else given)
        except ValueError as error:
            shown = f"--{option.replace('_', '-')}" + ("" if given is None else f" {given}")
            raise Refused(f"{shown}: {error}") from None

    def flash(self, question: str) -> Flash:
        from simfs.replay.scenario.quantities import format_size
        from simfs.replay.starters.answers import CYCLES, PART, Flash, chip_bytes_of, cycles_of, part_of

        given = self._given
        size_bytes = self.ask("chip_size", question, "", chip_bytes_of) if given["chip_size"] is not None else None
        if size_bytes is not None and given["part"] is None:
            return Flash(None, size_bytes, self.ask("cycles", question, str(CYCLES), cycles_of))
        flash = Flash(self.ask("part", question, PART, part_of), size_bytes, CYCLES)
        if given["cycles"] is not None:
            raise Refused(f"--cycles: {flash.part} has its own, {flash.sheet.rated_cycles:,}; leave it out")
        sizes = flash.sheet.sizes_bytes or (flash.sheet.size_bytes,)
        if size_bytes is not None and size_bytes not in sizes:
            known = ", ".join(map(format_size, sizes))
            raise Refused(f"--chip-size {given['chip_size']}: {flash.part} comes with {known}; write that")
        return flash


class OnTerminal:
    """Asks on the terminal, and asks again after a wrong answer. Questions go to standard error."""

    def ask(self, option: str, question: str, usual: str, parse: Callable[[str], Found]) -> Found:
        def checked(text: str) -> Found:
            try:
                return parse(text)
            except ValueError as error:
                raise click.UsageError(str(error)) from None

        found: Found = click.prompt(question, default=usual, value_proc=checked, err=True)
        return found

    def flash(self, question: str) -> Flash:
        from simfs.replay.starters.answers import CYCLES, PART, Flash, chip_bytes_of, cycles_of, part_of

        def either(text: str) -> Flash:
            if text.strip()[:1].isdigit():
                return Flash(None, chip_bytes_of(text), CYCLES)
            return Flash(part_of(text), None, CYCLES)

        flash = self.ask("part", question, PART, either)
        if flash.part:
            return flash
        cycles = self.ask("cycles", "How many erases a block is rated for", str(CYCLES), cycles_of)
        return Flash(None, flash.size_bytes, cycles)
