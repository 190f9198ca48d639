"""The lessons that come with simfs: a text with a question and its answer each, and the scenarios that it runs."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import simfs

_ANSWER = "\n## Answer\n"
_SCENARIO = re.compile(r"^(\w+\.toml) is written\.$", re.MULTILINE)


def lessons_directory() -> Path:
    """Where the lessons lie: in the package where it is installed, else beside it, as in a checkout."""
    package = Path(simfs.__file__).parent
    installed = package / "lessons"
    return installed if installed.is_dir() else package.parent / "scenarios" / "lessons"


@dataclass(frozen=True)
class Lesson:
    """One lesson, in Markdown."""

    number: int
    path: Path
    text: str

    @property
    def title(self) -> str:
        return self.text.partition("\n")[0].removeprefix("# ")

    @property
    def before_answer(self) -> str:
        """All but the answer."""
        return self.text.partition(_ANSWER)[0] + "\n"

    @property
    def answer(self) -> str:
        return self.text.partition(_ANSWER)[2]

    @property
    def scenarios(self) -> list[Path]:
        """The files that a reader needs, in the order in which the text saves them."""
        return [self.path.with_name(name) for name in dict.fromkeys(_SCENARIO.findall(self.text))]


def all_lessons() -> list[Lesson]:
    """Every lesson, the first one first. Raises OSError where they can't be read."""
    paths = sorted(lessons_directory().glob("[0-9]*_*.md"))
    return [Lesson(int(path.name.partition("_")[0]), path, path.read_text(encoding="utf-8")) for path in paths]
