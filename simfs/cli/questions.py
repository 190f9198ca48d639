"""Answers from outside: by options, or asked for on a terminal until they are right."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Protocol, TypeVar

import click

from simfs.cli.exits import Refused

if TYPE_CHECKING:
    from simfs.replay.starters.answers import Flash

Found = TypeVar("Found")


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
