"""All lessons as one page for a browser. It needs no network and no script."""

from __future__ import annotations

from collections.abc import Iterable
from importlib.resources import files

from jinja2 import Environment
from markdown_it import MarkdownIt
from markupsafe import Markup

from simfs.show.lessons.lessons import Lesson


def lessons_page(lessons: Iterable[Lesson]) -> str:
    """The page; each answer opens on a click or by the keyboard."""
    markdown = MarkdownIt("commonmark", {"html": False})

    def rendered(text: str) -> Markup:
        """What may scroll sideways can be reached by the keyboard."""
        return Markup(markdown.render(_lowered(text)).replace("<pre>", '<pre tabindex="0">'))

    shown = [
        {
            "number": lesson.number,
            "title": lesson.title,
            "text": rendered(lesson.before_answer.partition("\n")[2]),
            "answer": rendered(lesson.answer),
            "scenarios": [(path.name, path.read_text(encoding="utf-8")) for path in lesson.scenarios],
        }
        for lesson in lessons
    ]
    template = files("simfs.show.lessons").joinpath("lessons.html").read_text(encoding="utf-8")
    return (
        Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string(template).render(lessons=shown)
    )


def _lowered(text: str) -> str:
    """Headings one step lower, since the lesson's title stands above them."""
    return text.replace("\n## ", "\n### ")
