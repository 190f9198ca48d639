"""What stands on a sheet, without a browser: it is whole, and text from outside stays text."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import pytest

from simfs.show.sheet.palette import INKS, SERIES, STEPS, contrast
from tests.show.sheet.pages import hostile_page, made

LIBRARY = files("plotly").joinpath("package_data", "plotly.min.js").read_text("utf-8")
VOID = {"meta", "link", "br", "rect", "path", "input", "img"}


class Outline(HTMLParser):
    """Elements with their attributes, in order; headings with their texts; and what is open."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[str, str]] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        if self.open and data.strip():
            self.texts.append((self.open[-1], data))


@pytest.fixture(scope="module")
def own() -> str:
    """The page without the chart library."""
    text = hostile_page().read_text("utf-8")
    assert LIBRARY in text
    return text.replace(LIBRARY, "")


def test_page_is_small_beside_the_library(own: str) -> None:
    assert len(own.encode()) < 2 << 20


def test_markup_in_names_stays_text(own: str) -> None:
    page = Outline(own)
    assert not page.open
    assert {tag for tag, _ in page.elements} >= {"main", "table", "button", "details"}
    assert [dict(attributes) for tag, attributes in page.elements if tag == "b" and "class" not in attributes] == []
    assert len([tag for tag, _ in page.elements if tag == "script"]) == 3
    assert "49" not in "".join(text for tag, text in page.texts if tag == "h1")
    assert not [name for _, attributes in page.elements for name in attributes if name.startswith("on")]


def test_page_asks_the_network_for_nothing(own: str) -> None:
    page = Outline(own)
    addresses = [str(of[name]) for _, of in page.elements for name in ("src", "href", "action", "data") if name in of]
    assert [address for address in addresses if not address.startswith(("#", "data:"))] == []
    assert "default-src 'none'" in own
    assert re.findall(r"url\(|@import|fetch\(|https?://(?!www\.w3\.org)", own) == []


def test_headings_go_down_step_by_step_and_tables_have_headers(own: str) -> None:
    page = Outline(own)
    levels = [int(tag[1]) for tag, _ in page.elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    headers = [attributes for tag, attributes in page.elements if tag == "th"]
    assert len(headers) > 50
    assert {attributes.get("scope") for attributes in headers} == {"col", "row"}
    assert all(of.get("aria-label") for tag, of in page.elements if tag == "button")


def test_sections_say_what_they_should(own: str) -> None:
    text = " ".join(" ".join(data for _, data in Outline(own).texts).split())
    for part in (
        "Verdict : not as expected", "✗ NOT MET", "Erase blocks by address", "Who wore it", "Failures", "ENOSPC",
        "2031-04-05", "rated cycles", "Weibull", "Room in use", "Write amplification", "How long writes wait",
        "All figures",
    ):  # fmt: skip
        assert part.replace(" :", ":") in text, part


def test_charts_have_what_the_tables_beside_them_have(own: str) -> None:
    drawn = json.loads(own.partition('id="drawn">')[2].partition("</script>")[0])
    assert set(drawn) == {"room", "amplification", "stalls", "erases", "wearers"}
    assert [trace["name"] for trace in drawn["stalls"]["data"]] == ["writes", "99.9 % wait no longer", "deadline"]
    assert drawn["stalls"]["data"][2]["x"] == [60, 60]
    assert [trace["name"] for trace in drawn["erases"]["data"]][1:] == [
        "Weibull: 80 % of blocks fail here", "rated cycles",
    ]  # fmt: skip


def test_no_sheet_of_an_empty_run_fails(tmp_path: Path) -> None:
    page, result = made(tmp_path, "empty")
    assert result.exit_code == 0, result.output
    text = page.read_text("utf-8")
    assert "Nothing was done to the files" in text
    assert "There is no file at the end." in text
    assert "No operation was refused." in text


def test_what_can_not_be_written_is_refused_before_the_run(tmp_path: Path) -> None:
    for words, fault in (
        (("--sheet", str(tmp_path / "no" / "page.html")), "there is no directory"),
        (("--save-image", str(tmp_path / "empty.html")), "--save-image writes this file"),
        (("--scale-cycles", "5"), "give --scale-cycles and --shape together"),
        (("--scale-cycles", "-5", "--shape", "1"), "scale_cycles must be from 1"),
    ):
        _, result = made(tmp_path, "empty", *words)
        assert (result.exit_code, result.stdout) == (2, ""), words
        assert fault in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["empty.toml"]


def test_a_missing_library_is_told_with_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("simfs.cli.sheets.tables_sheet.LIBRARIES", ("no_such_library",))
    _, result = made(tmp_path, "empty")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "pip install 'simfs[sheet]'" in result.stderr


def test_colours_are_told_apart_by_their_lightness() -> None:
    """A digit is read on its step (4.5, WCAG 2.2 1.4.3); the steps follow each other in lightness alone."""
    assert min(contrast(step, ink) for step, ink in zip(STEPS, INKS, strict=True)) >= 4.5
    assert all(contrast(*pair) > 1.2 for pair in pairwise(STEPS))
    assert contrast("#000000", "#ffffff") == 21
    assert len(set(SERIES)) == len(SERIES)


def test_text_and_lines_stand_out_in_light_and_dark() -> None:
    style = files("simfs.show.sheet").joinpath("templates", "sheet.css").read_text("utf-8")
    schemes = re.findall(r":root \{(.*?)\}", style)
    assert len(schemes) == 3
    for scheme in schemes:
        colours = dict(re.findall(r"--(\w+): (#\w{6})", scheme))
        for on in ("page", "panel"):
            assert min(contrast(colours[on], colours[of]) for of in ("ink", "soft", "link", "good", "bad")) >= 4.5
        assert contrast(colours["ink"], colours["remark"]) >= 4.5
        assert contrast(colours["ink"], colours["unmet"]) >= 4.5
