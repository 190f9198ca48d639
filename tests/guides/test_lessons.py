"""Each lesson, followed from its first command to its answer: it shows what is printed, and what the answer says of
it is so."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from simfs.show.lessons.lessons import Lesson, all_lessons
from tests.guides.sections import LANGUAGES, Command, Section
from tests.guides.session import commands_of, fits, run

LESSONS = all_lessons()


def as_section(lesson: Lesson) -> Section:
    """The whole lesson: the answer is about what was run before the question."""
    return Section(lesson.path, lesson.title, lesson.text, 0)


def followed(lesson: Lesson, directory: Path) -> list[tuple[Command, tuple[str, int]]]:
    """Each command of a lesson, as the text and as the answer show it, with what it prints. It is run once."""
    commands = commands_of(as_section(lesson))
    lines = dict.fromkeys(command.line for command in commands)
    once = replace(as_section(lesson), text="```console\n" + "".join(f"$ {line}\n" for line in lines) + "```\n")
    printed = dict(zip(lines, run(once, directory), strict=True))
    return [(command, printed[command.line]) for command in commands]


def answered(number: int) -> str:
    """What an answer shows of the last run. That it is printed so is held below."""
    return commands_of(as_section(LESSONS[number - 1]))[-1].shown


def column(number: int, row: str, index: int) -> float:
    """A number in a row of the table that an answer shows."""
    (line,) = (
        line for line in answered(number).splitlines() if line.split()[:1] == [row] or line.startswith(f"*   {row}")
    )
    return float(re.findall(r"\d[\d,]*(?:\.\d+)?", line)[index].replace(",", ""))


@pytest.mark.parametrize("lesson", LESSONS, ids=lambda lesson: lesson.title)
def test_a_lesson_prints_what_it_shows(lesson: Lesson, tmp_path: Path) -> None:
    for command, (printed, status) in followed(lesson, tmp_path):
        assert fits(command.shown, printed), f"$ {command.line}\n{printed}"
        assert status in (0, 1), f"$ {command.line}\nended with {status}"


@pytest.mark.parametrize("lesson", LESSONS, ids=lambda lesson: lesson.title)
def test_a_lesson_has_its_parts(lesson: Lesson) -> None:
    assert re.findall(r"^## (.*)$", lesson.text, re.MULTILINE) == ["Try it", "Question", "Answer"]
    assert (
        lesson.path.name == f"{lesson.number:02}_{lesson.title.lower().replace(' ', '_').replace('a_full', 'full')}.md"
    )
    assert [path for path in lesson.scenarios if not path.is_file()] == []
    assert {block.language for block in as_section(lesson).blocks} <= set(LANGUAGES)


def test_there_are_ten_and_no_scenario_is_left_over() -> None:
    assert [lesson.number for lesson in LESSONS] == list(range(1, 11))
    named = {path.name for lesson in LESSONS for path in lesson.scenarios}
    assert named == {path.name for path in LESSONS[0].path.parent.glob("*.toml")}


def test_what_the_answers_work_out_is_so() -> None:
    assert round(100_000 / (5_400 / 30) / 365.25, 1) == 1.5  # lesson 1: "one and a half years"
    assert round(column(3, "rewrite", 4) / column(3, "append", 4)) == 31
    assert column(4, "greedy", 4) < column(4, "random", 4) / 2 < column(4, "oldest-first", 4)
    assert 1.7 < column(5, "1", 4) / column(5, "2", 4) < 2
    assert round(column(6, "8", 1) / column(6, "0", 1), 1) == 2.2
    assert round(100 * (column(6, "8", 4) / column(6, "0", 4) - 1)) == 7
    assert round(column(10, "energy a day", 0) / column(10, "energy a day", 1)) == 61


if __name__ == "__main__":  # write the shown lines anew, as `python -m tests.guides` does
    from tempfile import TemporaryDirectory

    from tests.guides.__main__ import excerpt

    for lesson in LESSONS:
        text = lesson.text
        with TemporaryDirectory() as directory:
            for command, (printed, _) in followed(lesson, Path(directory)):
                if not fits(command.shown, printed):
                    lines = excerpt(command.shown.splitlines(), printed.splitlines())
                    shown = "".join(f"{line}\n" for line in lines)
                    text = text.replace(f"$ {command.line}\n{command.shown}", f"$ {command.line}\n{shown}")
        lesson.path.write_text(text)
