"""A lesson as a terminal shows it."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable

from simfs.show.lessons.lessons import Lesson

WIDTH_MAX = 100
_FENCED = re.compile(r"^```\w*\n(.*?)^```$", re.DOTALL | re.MULTILINE)


def contents(lessons: Iterable[Lesson]) -> str:
    """All titles, with their numbers."""
    rows = [f"{lesson.number:4}  {lesson.title}" for lesson in lessons]
    return "\n".join(["Lessons, about ten minutes each. Read the first one with: simfs lesson 1", "", *rows])


def lesson_text(lesson: Lesson, columns: int) -> str:
    """A lesson without its answer."""
    shown = _plain(lesson.before_answer.replace("# ", f"# {lesson.number}. ", 1), columns)
    return f"{shown}\n\nWhen you have your own answer: simfs lesson {lesson.number} --answer"


def answer_text(lesson: Lesson, columns: int) -> str:
    """The answer alone, below the lesson's title."""
    return _plain(f"# {lesson.number}. {lesson.title}: the answer\n\n{lesson.answer}", columns)


def _plain(text: str, columns: int) -> str:
    """Markdown as plain text: paragraphs as wide as the terminal, what is typed and printed set in."""
    width = min(columns, WIDTH_MAX)
    parts, at = [], 0
    for block in _FENCED.finditer(text):
        parts += _paragraphs(text[at : block.start()], width)
        parts.append(textwrap.indent(block[1].rstrip("\n"), "    "))
        at = block.end()
    return "\n\n".join(parts + _paragraphs(text[at:], width))


def _paragraphs(text: str, width: int) -> list[str]:
    return [_paragraph(part, width) for part in re.split(r"\n{2,}", text.strip("\n")) if part]


def _paragraph(text: str, width: int) -> str:
    if text.startswith("#"):
        title = text.lstrip("# ")
        return f"{title}\n{('=' if text.startswith('# ') else '-') * len(title)}"
    return textwrap.fill(re.sub(r"\*(\w[^*]*)\*", r"\1", text), width, break_long_words=False)
