"""What a notebook shows of a store and of a run: well-formed, whole, and with nothing from outside but text in it."""

from __future__ import annotations

from collections import Counter
from xml.etree import ElementTree

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.replay.device.device import Run
from simfs.replay.play import replay
from simfs.show.notebook import CELL, block_map
from simfs.store.usage import BlockView
from tests.support.places import SCENARIOS

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = "/<script>alert(1)</script>&amp;\"'\x1b[2J"
SCENARIO = SCENARIOS / "ring_buffer.toml"


def parsed(html: str) -> ElementTree.Element:
    """The HTML is well-formed XML too, so one strict parser reads it."""
    return ElementTree.fromstring(html)


def texts(root: ElementTree.Element) -> list[str]:
    return [cell.text or "" for cell in root.iter() if cell.tag in ("td", "th")]


@pytest.fixture(scope="module")
def worked() -> Store:
    store = Store.format(NorFlash(48), StoreConfig(open_files_max=2))
    for number in range(20):
        with store.open(f"/log/{number:02}", "w") as file:
            file.write(b"x" * (1000 + number))
    with store.open(HOSTILE, "w") as file:
        file.write(b"y")
    return store


@pytest.fixture(scope="module")
def finished() -> Run:
    return replay(SCENARIO)


def test_a_store_shows_its_room_and_files(worked: Store) -> None:
    cells = texts(parsed(worked._repr_html_()))
    assert "files" in cells
    assert cells[cells.index("files") + 1] == "21"
    assert cells[cells.index("\u00a0\u00a0/log/00") + 1] == "1,000 bytes"
    assert "9 more" in cells
    assert cells[cells.index("flash") + 1] == "generic: 48 blocks of 4 KiB, 192 KiB"


def test_every_block_has_a_cell_with_its_state_as_text(worked: Store) -> None:
    root = parsed(worked._repr_html_())
    groups = list(root.iter(f"{SVG}g"))
    blocks = worked.blocks()
    assert len(groups) == len(blocks)
    for group, block in zip(groups, blocks, strict=True):
        title, sign = group.find(f"{SVG}title"), group.find(f"{SVG}text")
        assert title is not None
        assert sign is not None
        assert (title.text or "").startswith(f"block {block.number}: {block.state}, ")
        assert sign.text == {"unused": ".", "freed": "f", "closed": "c", "open": "o", "ready": "r"}[block.state]
    states = Counter(block.state for block in blocks)
    told = "".join(root.itertext())
    assert all(f"{state} {count}" in told for state, count in states.items())


def test_the_bar_is_the_live_share() -> None:
    blocks = [BlockView(0, "closed", 3, 4096), BlockView(1, "closed", 3, 2048), BlockView(2, "freed", 1, 0)]
    root = parsed(f"<div>{block_map(blocks, 4096)}</div>")
    bars = [group.findall(f"{SVG}rect")[1].get("height") for group in root.iter(f"{SVG}g")]
    assert bars == [str(CELL - 1), str(round((CELL - 1) / 2)), "0"]


def test_many_blocks_share_cells_and_trouble_shows() -> None:
    blocks = [BlockView(number, "bad" if number == 777 else "closed", 1, 100) for number in range(2000)]
    root = parsed(f"<div>{block_map(blocks, 4096)}</div>")
    signs = [sign.text for sign in root.iter(f"{SVG}text")]
    assert len(signs) == 500
    assert [number for number, sign in enumerate(signs) if sign == "x"] == [777 // 4]
    assert "a cell for 4 blocks" in "".join(root.itertext())


def test_names_from_outside_are_text_and_nothing_else(worked: Store) -> None:
    html = worked._repr_html_()
    assert "<script" not in html
    assert "\x1b" not in html
    assert any("<script>alert(1)</script>&amp;" in cell for cell in texts(parsed(html)))


def test_a_run_shows_its_figures(finished: Run) -> None:
    root = parsed(finished._repr_html_())
    cells = texts(root)
    for figure in ("write amplification", "longest write", "erases of a block", "refused"):
        assert figure in cells
        assert cells[cells.index(figure) + 1]
    assert len(list(root.iter(f"{SVG}g"))) == len(finished.store.blocks())
    assert "of this store, not of the one you ship" in "".join(root.itertext())


def test_a_runs_title_is_text_and_nothing_else(finished: Run) -> None:
    title, source = finished.title, finished.source
    try:
        finished.title, finished.source = HOSTILE, HOSTILE
        html = finished._repr_html_()
    finally:
        finished.title, finished.source = title, source
    assert "<script" not in html
    assert "<script>alert(1)</script>" in "".join(parsed(html).itertext())


def test_showing_costs_the_flash_nothing(worked: Store) -> None:
    before = worked.flash.counts
    worked._repr_html_()
    assert worked.flash.counts == before
