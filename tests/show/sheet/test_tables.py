"""Pages of tables: a sweep and a flash map."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from simfs.cli import commands
from tests.show.sheet.pages import small_page, sweep_page
from tests.show.sheet.test_page import LIBRARY, Outline
from tests.support.places import SCENARIOS


def test_page_of_a_sweep_has_its_table_and_charts() -> None:
    text = sweep_page().read_text("utf-8")
    own = text.replace(LIBRARY, "")
    page = Outline(own)
    assert not page.open
    assert not [tag for tag, _ in page.elements if tag == "img"]
    drawn = json.loads(own.partition('id="drawn">')[2].partition("</script>")[0])
    assert len(drawn["write-amplification"]["data"][0]["y"]) == 2
    cells = [data for tag, data in page.texts if tag == "td"]
    assert cells.count("not run") == 2
    assert any("not run" in data for tag, data in page.texts if tag == "li")


def test_page_of_a_map_has_the_picture_and_the_regions(tmp_path: Path) -> None:
    page = tmp_path / "map.html"
    result = CliRunner().invoke(commands, ["map", str(SCENARIOS / "weir.toml"), "--sheet", str(page)])
    assert result.exit_code == 0, result.output
    text = page.read_text("utf-8")
    assert "<svg" in text
    assert LIBRARY not in text
    assert "set points" in [data for tag, data in Outline(text).texts if tag == "th"]


PAGES = {  # of a command: its exit status, its charts, what is told first, and headers of its tables
    "life": (1, ["erases"], "The life ends", ("figure", "task")),
    "compare": (1, [], "worse than the first", ("mark",)),
    "cuts": (0, ["found"], "holds all that was", ("the firmware finds", "whole, %")),
    "lives": (0, [], "After each cut the store mounts", ()),
    "cuts on a card": (0, [], "Where no sector is torn, nothing", ("sector of", "mended")),
    "cuts on both": (0, [], "No reading is there twice", ("goes", "mended")),
    "fleet": (0, ["first-block"], "1 % of the devices have lost their first block after", ("lost by",)),
}


@pytest.mark.parametrize("command", PAGES)
def test_page_has_the_outcome_first_then_the_tables_of_the_report(command: str) -> None:
    status, charts, told, headers = PAGES[command]
    result, sheet = small_page(command)
    assert (result.exit_code, result.stderr) == (status, ""), result.output
    own = sheet.read_text("utf-8").replace(LIBRARY, "")
    page = Outline(own)
    assert not page.open
    assert not [tag for tag, _ in page.elements if tag == "img"]
    assert len([tag for tag, _ in page.elements if tag == "script"]) == (3 if charts else 1)
    drawn = json.loads(own.partition('id="drawn">')[2].partition("</script>")[0] or "{}")
    assert list(drawn) == charts
    assert told in " ".join(text for tag, text in page.texts if tag == "p")
    assert {*headers} <= {text for tag, text in page.texts if tag == "th"}
    report = " ".join(result.stdout.split())
    cells = [" ".join(text.split()) for tag, text in page.texts if tag == "td" and text.strip()]
    assert [cell for cell in cells[:40] if cell not in report] == []


def test_what_can_not_be_written_is_refused_before_anything_is_run(tmp_path: Path) -> None:
    scenario = tmp_path / "weir.toml"
    scenario.write_bytes((SCENARIOS / "weir.toml").read_bytes())
    for words in (
        ("map",),
        ("sweep", "--vary", "store.size=64KiB"),
        ("life",),
        ("cuts",),
        ("fleet", "--scale-cycles", "300", "--shape", "2"),
        ("compare", "--with", "store.size=64KiB"),
    ):
        for page, fault in ((scenario, "this is the input"), (tmp_path / "no" / "page.html", "there is no directory")):
            result = CliRunner().invoke(commands, [words[0], str(scenario), *words[1:], "--sheet", str(page)])
            assert (result.exit_code, result.stdout) == (2, ""), words
            assert fault in result.stderr
    picture = tmp_path / "same"
    result = CliRunner().invoke(commands, ["map", str(scenario), "--sheet", str(picture), "--svg", str(picture)])
    assert "--svg writes this file" in result.stderr
    assert list(tmp_path.iterdir()) == [scenario]
