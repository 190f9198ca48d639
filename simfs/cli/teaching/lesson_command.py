"""`simfs lesson`: the lessons, their scenarios and their answers."""

from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING

import click

from simfs.cli.exits import Refused, print_report

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from simfs.show.lessons.lessons import Lesson


@click.command(epilog="Example: simfs lesson 1")
@click.argument("number", metavar="[N]", type=int, required=False)
@click.option("--answer", is_flag=True, help="Print the answer to the lesson's question.")
@click.option("--save", metavar="DIRECTORY", help="Put the lesson's scenarios there. No file is written over.")
@click.option("--page", metavar="FILE", help="Write all lessons into FILE, one page for a browser.")
def lesson(number: int | None, answer: bool, save: str | None, page: str | None) -> None:
    """Read a lesson on flash, with a question that a run answers.

    Without N it lists the lessons. With N it prints the text of one, and what
    to type; then try it, and compare your answer.

    The exit status is 0, or 2 on bad input.
    """
    from simfs.show.lessons.lessons import all_lessons

    lessons = all_lessons()
    if page is not None:
        if number is not None or answer or save:
            raise Refused("--page: it is for all lessons; leave out everything else")
        _write_page(lessons, page)
    elif number is None:
        if answer or save:
            raise Refused(f"simfs lesson: it is not said which one; write a number from 1 to {len(lessons)}")
        _print_contents(lessons)
    elif save is not None:
        if answer:
            raise Refused("--save: it prints nothing else; ask for the answer in a command of its own")
        print_report("\n".join(_save(_one(lessons, number).scenarios, save)))
    else:
        _print_lesson(_one(lessons, number), answer)


def _one(lessons: Sequence[Lesson], number: int) -> Lesson:
    for found in lessons:
        if found.number == number:
            return found
    raise Refused(f"simfs lesson: there is no lesson {number}; the numbers are 1 to {len(lessons)}")


def _print_contents(lessons: Sequence[Lesson]) -> None:
    from simfs.show.lessons.text import contents

    print_report(contents(lessons))


def _print_lesson(chosen: Lesson, answer: bool) -> None:
    from simfs.show.lessons.text import answer_text, lesson_text

    print_report((answer_text if answer else lesson_text)(chosen, shutil.get_terminal_size().columns))


def _save(scenarios: Sequence[Path], directory: str) -> list[str]:
    """Put the files into a directory, all of them or none. Returns a line for each."""
    if not os.path.isdir(directory):
        is_there = os.path.lexists(directory)
        what = "it is no directory; name one" if is_there else "there is no such directory; create it first"
        raise Refused(f"--save {directory}: {what}")
    targets = [(source, os.path.join(directory, source.name)) for source in scenarios]
    there = [target for source, target in targets if os.path.lexists(target) and not _alike(source, target)]
    if there:
        raise Refused(
            *(f"{target}: it is there already, and it's another file; name another place" for target in there)
        )
    return [_put(source, target) for source, target in targets]


def _alike(source: Path, target: str) -> bool:
    try:
        with open(target, "rb") as file:
            return os.path.isfile(target) and file.read() == source.read_bytes()
    except OSError:
        return False


def _put(source: Path, target: str) -> str:
    from simfs.show.save import write_whole

    if os.path.lexists(target):
        return f"{source.name} is there already."
    try:
        write_whole(target, source.read_bytes())
    except OSError as error:
        raise Refused(f"{target}: {error.strerror}; it was not written") from None
    return f"{source.name} is written."


def _write_page(lessons: Sequence[Lesson], file: str) -> None:
    from simfs.cli.outputs import check_target
    from simfs.show.save import write_whole

    check_target(file, "--page", "")
    try:
        from simfs.show.lessons.page import lessons_page
    except ImportError as error:
        raise Refused(f"--page: it needs {error.name}, which is not installed: pip install 'simfs[sheet]'") from None
    try:
        write_whole(file, lessons_page(lessons).encode())
    except OSError as error:
        raise Refused(f"--page {file}: {error.strerror}; nothing was written") from None
    print_report(f"{file} is written.")
