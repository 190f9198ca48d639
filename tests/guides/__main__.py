"""`python -m tests.guides [PAGE ...]` writes the guides anew: what their commands print, and what a scenario may say.

Outputs of which a page shows only a part (`...`) stay as they are, and so do sections that need a tool which is not
here. Read the difference before you commit it.
"""

from __future__ import annotations

import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.guides.sections import PAGES, Section, sections
from tests.guides.session import commands_of, fits, run
from tests.guides.test_reference import GUIDE, written
from tests.guides.test_sections import why_not


def renewed(section: Section, text: str) -> str:
    """The page's text with what the section's commands print now."""
    if any(map(why_not, section.needs)):
        return text
    with TemporaryDirectory() as directory:
        found = run(section, Path(directory))
    for command, (printed, _) in zip(commands_of(section), found, strict=True):
        if fits(command.shown, printed):
            continue
        if "..." in command.shown.splitlines():
            print(f"{section.page.name}: {command.line}: what it shows is not what it prints:\n{printed}")
            continue
        text = text.replace(f"$ {command.line}\n{command.shown}", f"$ {command.line}\n{printed}")
    return text


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
