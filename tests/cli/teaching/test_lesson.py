"""`simfs lesson`: its texts, its files, its page, and what it says to a mistake."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.show.lessons.lessons import all_lessons

LESSONS = all_lessons()


def lesson(*words: str) -> Result:
    return CliRunner().invoke(commands, ["lesson", *words])


def test_it_lists_them() -> None:
    found = lesson()
    assert found.exit_code == 0
    assert re.findall(r"^ +(\d+)  (.*)$", found.stdout, re.MULTILINE) == [
        (str(each.number), each.title) for each in LESSONS
    ]


def test_a_lesson_keeps_its_answer_until_it_is_asked_for() -> None:
    for each in LESSONS:
        text, answer = lesson(str(each.number)).stdout, lesson(str(each.number), "--answer").stdout
        assert text.startswith(f"{each.number}. {each.title}\n====")
        assert text.rstrip().endswith(f"simfs lesson {each.number} --answer")
        last_words = each.answer.split()[-3:]
        assert last_words == answer.split()[-3:] != text.split()[-3:]
        assert "```" not in text + answer


def test_a_text_is_as_wide_as_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    for columns, widest in ((60, 60), (300, 100)):
        monkeypatch.setenv("COLUMNS", str(columns))
        lines = [line for line in lesson("9").stdout.splitlines() if not line.startswith("    ")]
        assert widest - 10 < max(map(len, lines)) <= widest


def test_scenarios_are_saved_and_nothing_is_written_over(tmp_path: Path) -> None:
    assert (
        lesson("10", "--save", str(tmp_path)).stdout == "garden_card.toml is written.\ngarden_flash.toml is written.\n"
    )
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {
        path.name: path.read_bytes() for path in LESSONS[9].scenarios
    }
    (tmp_path / "garden_card.toml").unlink()
    assert lesson("10", "--save", str(tmp_path)).stdout.endswith("garden_flash.toml is there already.\n")
    changed = tmp_path / "garden_flash.toml"
    changed.write_text("mine")
    (tmp_path / "garden_card.toml").unlink()
    found = lesson("10", "--save", str(tmp_path))
    assert (found.exit_code, changed.read_text()) == (2, "mine")
    assert found.stderr == f"{changed}: it is there already, and it's another file; name another place\n"
    assert not (tmp_path / "garden_card.toml").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("11",), "simfs lesson: there is no lesson 11; the numbers are 1 to 10"),
        (("--answer",), "simfs lesson: it is not said which one; write a number from 1 to 10"),
        (("3", "--save", "nowhere"), "--save nowhere: there is no such directory; create it first"),
        (("3", "--save", __file__), f"--save {__file__}: it is no directory; name one"),
        (
            ("3", "--answer", "--save", "."),
            "--save: it prints nothing else; ask for the answer in a command of its own",
        ),
        (("3", "--page", "x.html"), "--page: it is for all lessons; leave out everything else"),
        (("--page", "nowhere/x.html"), "--page nowhere/x.html: there is no directory "),
    ],
)
def test_mistakes_are_told_in_a_line(words: tuple[str, ...], said: str) -> None:
    found = lesson(*words)
    assert found.exit_code == 2
    assert found.stderr.startswith(said)
    assert found.stderr.count("\n") == 1


class Page(HTMLParser):
    """What a browser would find: headings, what is folded, and what would be loaded."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.ids: set[str] = set()
        self.links: list[str] = []
        self.loaded: list[tuple[str, str | None]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        given = dict(attrs)
        self.ids |= {given["id"] or ""} if "id" in given else set()
        self.links += [given["href"] or ""] if "href" in given else []
        self.loaded += [(tag, value) for name, value in attrs if name in ("src", "srcset") or tag in ("script", "link")]


def test_the_page_has_every_lesson_and_needs_nothing_else(tmp_path: Path) -> None:
    pytest.importorskip("markdown_it", reason="needs markdown-it-py: pip install 'simfs[sheet]'")
    target = tmp_path / "lessons.html"
    assert lesson("--page", str(target)).stdout == f"{target} is written.\n"
    page = Page()
    page.feed(target.read_text())
    assert page.tags.count("h1") == 1
    assert page.tags.count("h2") == 10
    assert page.tags.count("h3") == 20
    assert page.tags.count("details") == page.tags.count("summary") == 10 + 11
    assert page.loaded == []
    assert {link.removeprefix("#") for link in page.links} <= page.ids
    assert "&quot;w&quot;" in target.read_text()
