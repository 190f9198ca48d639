"""`python -m tests.guides [PAGE ...]` writes the guides anew: what their commands print, and what a scenario may say.

Of an output that a page shows in parts, the lines most like those parts take their place. Sections that need a tool
which is not here stay as they are. Read the difference before you commit it.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from difflib import SequenceMatcher
from itertools import groupby
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.guides.sections import PAGES, Section, sections
from tests.guides.session import commands_of, fits, run
from tests.guides.test_reference import GUIDE, written
from tests.guides.tools import missing

ELLIPSIS = "..."


def renewed(section: Section, text: str) -> str:
    """The page's text with what the section's commands print now."""
    if any(map(missing, section.needs)):
        return text
    with TemporaryDirectory() as directory:
        found = run(section, Path(directory))
    for command, (printed, _) in zip(commands_of(section), found, strict=True):
        if not fits(command.shown, printed):
            shown = "".join(line + "\n" for line in excerpt(command.shown.splitlines(), printed.splitlines()))
            text = text.replace(f"$ {command.line}\n{command.shown}", f"$ {command.line}\n{shown}")
    return text


def excerpt(shown: list[str], printed: list[str]) -> list[str]:
    """Of what is printed, the lines that stand for the shown ones: all of them, or a stretch for each stretch."""
    if ELLIPSIS not in shown:
        return printed
    found: list[str] = []
    at = 0
    for left_out, group in groupby(shown, key=ELLIPSIS.__eq__):
        lines = list(group)
        if left_out:
            found.append(ELLIPSIS)
            continue
        first = max(range(at, max(at, len(printed) - len(lines)) + 1), key=lambda at: alike(lines, printed[at:]))
        at = first + len(lines)
        found += printed[first:at]
    return found


def alike(lines: Sequence[str], others: Sequence[str]) -> float:
    """How alike lines are to as many others."""
    return sum(SequenceMatcher(None, line, other).ratio() for line, other in zip(lines, others, strict=False))


def main(wanted: list[str]) -> None:
    GUIDE.write_text(written())
    for page in PAGES:
        if not wanted or page.stem in wanted:
            text = page.read_text()
            for section in sections(page):
                if section.is_run:
                    text = renewed(section, text)
            page.write_text(text)


if __name__ == "__main__":
    main(sys.argv[1:])
