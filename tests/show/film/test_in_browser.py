"""A real browser opens a film and the lessons: they step by keys, find cuts, keep names as text, and axe-core finds no
fault. One start for all."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from simfs.show.film.page import film_page
from simfs.show.film.sentences import sentence
from simfs.show.lessons.lessons import all_lessons
from simfs.show.lessons.page import lessons_page
from simfs.study.film.film import CUT, PAGES
from tests.show.sheet.chromium import NEEDS_CHROMIUM, Chromium, faults
from tests.study.film.test_film import LINES, session

pytestmark = [NEEDS_CHROMIUM, pytest.mark.together]
READY = """new Promise(done => { const look = () =>
    document.documentElement.dataset.ready ? done(true) : setTimeout(look, 20); look(); })"""
HOSTILE = '/<script>alert(1)</script>"&'


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chromium]:
    browser = Chromium(tmp_path_factory.mktemp("chromium"))
    yield browser
    browser.close()


def opened(browser: Chromium, directory: Path, text: str) -> None:
    page = directory / "page.html"
    page.write_text(text)
    browser.open(page.as_uri())
    assert browser.complaints() == []
    assert browser.requests() == [page.as_uri()]


@pytest.mark.parametrize("dark", [False, True])
def test_a_film_is_stepped_through_by_keys(browser: Chromium, tmp_path: Path, dark: bool) -> None:
    film = session(*LINES, f"write '{HOSTILE}' 10B").film()
    browser.look(dark=dark, width=500 if dark else 1200)
    opened(browser, tmp_path, film_page(film, HOSTILE, "typed"))
    assert browser.run(READY)
    said = "document.getElementById('said').textContent"
    assert browser.run(said) == "The store at the start."
    for step in film.steps[:3]:
        browser.press("ArrowRight")
        assert browser.run(said) == sentence(step, film.block_bytes, film.page_bytes)
    browser.press("ArrowLeft")
    assert browser.run(said) == sentence(film.steps[1], film.block_bytes, film.page_bytes)
    browser.run("document.getElementById('mark').value = '2'; document.getElementById('seek').click()")
    cut = next(number for number, marks in enumerate(film.marks) if marks & CUT)
    assert browser.run("at") == cut + 1
    assert browser.run("pages.filter(kind => PAGES[kind] === 'weak').length") >= 1
    browser.press("End")
    assert HOSTILE in browser.run(said)
    assert browser.run("document.querySelectorAll('main script').length") == 0
    wound = list(film.pages_first)
    for changes in film.page_changes:
        for number, _, after in changes:
            wound[number] = after
    assert browser.run("pages.join(' ')") == " ".join(map(str, wound))
    browser.press("Home")
    assert browser.run("pages.join(' ')") == " ".join(map(str, film.pages_first))
    assert browser.run("PAGES.join(' ')") == " ".join(map(str, PAGES))
    far = next(
        at for at, changes in enumerate(film.page_changes) if changes and changes[0][0] >= 3 * film.pages_of_block
    )
    browser.run(f"document.getElementById('flash').style.maxHeight = '30px'; go({far + 1})")
    assert browser.run("document.getElementById('flash').scrollTop") > 0, "what has changed is in sight"
    assert browser.complaints() == []
    assert faults(browser) == []


def test_a_film_without_scripts_still_tells(browser: Chromium, tmp_path: Path) -> None:
    browser.look(scripts=False)
    opened(browser, tmp_path, film_page(session(*LINES).film(), "typed", "typed"))
    browser.look(scripts=True)
    assert browser.run("document.querySelector('noscript').textContent.includes('Append of 11 bytes to /log')")


def test_the_lessons_have_no_faults(browser: Chromium, tmp_path: Path) -> None:
    browser.look()
    opened(browser, tmp_path, lessons_page(all_lessons()))
    browser.run("document.querySelectorAll('details').forEach(one => one.open = true)")
    assert faults(browser) == []
