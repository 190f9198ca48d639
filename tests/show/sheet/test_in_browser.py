"""A real browser opens sheets: nothing goes wrong, details appear, and axe-core finds no fault. One start for all."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.show.sheet.chromium import NEEDS_CHROMIUM, Chromium, faults
from tests.show.sheet.pages import hostile_page, made, small_page, sweep_page

pytestmark = [NEEDS_CHROMIUM, pytest.mark.together]
DRAWN = """new Promise(done => { const look = () =>
    performance.getEntriesByName("drawn").length ? done(true) : setTimeout(look, 20); look(); })"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chromium]:
    browser = Chromium(tmp_path_factory.mktemp("chromium"))
    yield browser
    browser.close()


def opened(browser: Chromium, page: Path, **look: Any) -> None:
    browser.look(**look)
    browser.open(page.as_uri())
    if look.get("scripts", True) and 'id="drawn"' in page.read_text("utf-8"):
        assert browser.run(DRAWN)


def test_nothing_goes_wrong_and_nothing_is_asked_for(browser: Chromium) -> None:
    page = hostile_page()
    opened(browser, page)
    assert browser.complaints() == []
    assert [address for address in browser.requests() if not address.startswith("data:")] == [page.as_uri()]
    assert browser.run("document.querySelectorAll('.chart .main-svg').length") >= 5
    assert browser.run("document.querySelectorAll('#chart-stalls .barlayer path').length") > 1
    assert faults(browser) == []


def test_details_appear_on_pointing_and_on_keyboard_focus(browser: Chromium) -> None:
    opened(browser, hostile_page())
    told = "document.getElementById('block-told').textContent"
    browser.run("document.querySelector('#blocks button').focus()")
    first = browser.run(told)
    assert first.startswith("block 0: ")
    browser.press("ArrowRight")
    assert browser.run(told).startswith("block 1: ")
    browser.press("End")
    assert browser.run(told) == browser.run("document.querySelector('#blocks').lastElementChild.ariaLabel")
    assert browser.run("document.querySelectorAll('#blocks [tabindex=\"0\"]').length") == 1
    box = browser.run(
        "(() => { const box = document.querySelectorAll('#blocks button')[2].getBoundingClientRect();"
        "return [box.x + 5, box.y + 5] })()"
    )
    browser.ask("Input.dispatchMouseEvent", type="mouseMoved", x=box[0], y=box[1])
    assert browser.run(told).startswith("block 2: ")
    browser.run("document.getElementById('chart-stalls').focus()")
    point = "document.querySelector('#chart-stalls').parentElement.querySelector('.told').textContent"
    before = browser.run(point)
    assert " to " in before
    browser.press("ArrowRight")
    assert browser.run(point) not in ("", before)


def test_hostile_names_stay_text_in_charts_too(browser: Chromium) -> None:
    opened(browser, hostile_page())
    assert browser.run("document.querySelectorAll('main script, svg script, img, [onmouseover]').length") == 0
    assert "<b>x</b><img src=x" in browser.run("document.querySelector('#chart-wearers').textContent")
    assert "<script>alert(1)" in browser.run("document.title")


def test_dark_and_narrow_pages_have_no_faults_either(browser: Chromium) -> None:
    opened(browser, hostile_page(), dark=True, width=390)
    assert browser.run("getComputedStyle(document.documentElement).backgroundColor") == "rgb(20, 23, 27)"
    assert browser.run("document.documentElement.scrollWidth <= innerWidth")
    assert faults(browser) == []


def test_page_of_a_sweep_has_no_faults(browser: Chromium) -> None:
    opened(browser, sweep_page())
    assert browser.complaints() == []
    assert faults(browser) == []


@pytest.mark.parametrize("command", ["cuts", "lives", "cuts on a card", "cuts on both", "fleet"])
def test_pages_of_cuts_and_of_a_fleet_have_no_faults(browser: Chromium, command: str) -> None:
    _, page = small_page(command)
    opened(browser, page)
    assert browser.complaints() == []
    assert [address for address in browser.requests() if not address.startswith("data:")] == [page.as_uri()]
    assert faults(browser) == []
    opened(browser, page, width=390)
    assert browser.run("document.documentElement.scrollWidth <= innerWidth")


def test_without_scripts_the_tables_are_there(browser: Chromium) -> None:
    opened(browser, hostile_page(), scripts=False)
    text = browser.ask("DOM.getOuterHTML", nodeId=browser.ask("DOM.getDocument")["root"]["nodeId"])["outerHTML"]
    assert 'class="main-svg"' not in text
    assert text.count("<table>") >= 10
    browser.look()


@pytest.mark.slow
def test_ten_thousand_files_make_a_page_of_usual_size(browser: Chromium, tmp_path: Path) -> None:
    page, result = made(tmp_path, "many")
    assert "Ten thousand files" in result.stdout
    assert page.stat().st_size < hostile_page().stat().st_size + (1 << 20)
    opened(browser, page)
    assert browser.complaints() == []
    assert "the largest 200 of them" in browser.run("document.querySelector('#tasks').textContent")
