"""The README and the guides, cut into sections, each with the files that it has one save and the commands it shows.

A section can be followed by itself, in an empty directory beside a copy of `scenarios/`:

    a fenced block whose first line is a comment with a file's name is saved under that name
    a block `console` has commands behind `$ `, each with what it prints; a line `...` stands for any lines
    a block `sh` is not run: it needs what a test can't have, such as a unit or a firmware
    `<!-- slow -->` or `<!-- needs TOOL -->` in a section tells the test when to run it
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from tests.support.places import ROOT

README = ROOT / "README.md"
GUIDES = sorted((ROOT / "simfs" / "guides").glob("*.md"))
PAGES = [README, *GUIDES]
LANGUAGES = ("c", "console", "python", "sh", "text", "toml")

_BLOCK = re.compile(r"^```([^\n]*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_HEADING = re.compile(r"^#+ (.*)$", re.MULTILINE)
_FILE_NAME = re.compile(r"(?:#|/\*) ([\w.-]+\.\w+)(?: \*/)?\n")


@dataclass(frozen=True)
class Command:
    """A command, and what the page shows of its output."""

    line: str
    shown: str


@dataclass(frozen=True)
class Block:
    """A fenced block: where its text stands in the page, and what it is."""

    language: str
    text: str
    start: int

    @property
    def file_name(self) -> str | None:
        """The name that the reader is to save it under."""
        match = _FILE_NAME.match(self.text)
        return match[1] if match and self.language != "console" else None

    @property
    def commands(self) -> list[Command]:
        """Those of a console, in order. A command goes on where its line ends with a backslash."""
        found = []
        for part in re.split(r"^\$ ", self.text, flags=re.MULTILINE)[1:]:
            line, _, shown = part.partition("\n")
            while line.endswith("\\"):
                more, _, shown = shown.partition("\n")
                line += "\n" + more
            found.append(Command(line, shown))
        return found


@dataclass(frozen=True)
class Section:
    """What stands under one heading."""

    page: Path
    title: str
    text: str
    start: int

    @property
    def blocks(self) -> list[Block]:
        return [Block(match[1], match[2], self.start + match.start(2)) for match in _BLOCK.finditer(self.text)]

    @property
    def slow(self) -> bool:
        return "<!-- slow -->" in self.text

    @property
    def needs(self) -> list[str]:
        return re.findall(r"<!-- needs (\w+) -->", self.text)

    @property
    def is_run(self) -> bool:
        return any(block.language == "console" for block in self.blocks)


def sections(page: Path) -> list[Section]:
    """A page's sections. A `#` within a block is no heading."""
    text = page.read_text()
    inside = [range(match.start(), match.end()) for match in _BLOCK.finditer(text)]
    heads = [match for match in _HEADING.finditer(text) if not any(match.start() in block for block in inside)]
    ends = [*(match.start() for match in heads[1:]), len(text)]
    return [
        Section(page, match[1], text[match.end() : end], match.end()) for match, end in zip(heads, ends, strict=True)
    ]


SECTIONS = [section for page in PAGES for section in sections(page)]
