"""What a notebook shows of a store and of a run: well-formed, whole, and with nothing from outside but text in it."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.replay.device.clock import NS_PER_YEAR
from simfs.replay.device.device import Run
from simfs.replay.device.notes import Refusal
from simfs.show.heat import COLOURS, INK, ink_on, wear_map
from simfs.show.notebook import CELL, LIVE_COLOUR, LIVE_SHARE, LOOKS, REMARK_COLOUR, UNMET_COLOUR, block_map
from simfs.store.usage import BlockView
from tests.replay.shipped import played
from tests.support.hand_built import hand_built_run

pytestmark = pytest.mark.together

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = "/<script>alert(1)</script>&amp;\"'\x1b[2J"


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
    return played("ring_buffer.toml").run


def test_a_store_shows_its_room_and_files(worked: Store) -> None:
    cells = texts(parsed(worked._repr_html_()))
    assert "files" in cells
    assert cells[cells.index("files") + 1] == "21"
    assert cells[cells.index("\u00a0\u00a0/log/00") + 1] == "1,000 bytes"
    assert "9 more" in cells
    assert cells[cells.index("flash") + 1] == "generic: 48 blocks of 4 KiB, 192 KiB"


def test_every_block_has_a_cell_with_its_state_as_text(worked: Store) -> None:
    root = parsed(worked._repr_html_())
    groups = list(next(root.iter(f"{SVG}svg")).iter(f"{SVG}g"))
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
    assert sum("energy" in cell or "standby" in cell for cell in cells) == 1
    for picture in root.iter(f"{SVG}svg"):
        assert len(list(picture.iter(f"{SVG}g"))) == len(finished.store.blocks())
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


def test_a_run_shows_its_verdict_and_what_is_not_met_by_colour_and_word() -> None:
    run = hand_built_run(
        expect={"life_min": 2000 * NS_PER_YEAR, "sound": True},
        refusals=[Refusal("gauge", "append", "/a", "ENOSPC", 3, 0)],
    )
    root = parsed(run._repr_html_())
    rows = {row[0].text: (row[1].text or "", row.get("style") or "") for row in root.iter("tr")}
    assert "3 of 1,000 operations were refused" in rows["verdict"][0]
    assert rows["expected life_min"] == (
        "! NOT MET: 1,369 years; wanted at least 2,000 years", f"background:{UNMET_COLOUR};color:{INK}"
    )  # fmt: skip
    assert rows["expected refused_max"][0] == "! NOT MET: 3; wanted at most 0, by default"
    assert rows["expected sound"] == ("met: as expected; wanted yes", "")
    assert rows["! refused"][1] == f"background:{REMARK_COLOUR};color:{INK}"
    legend = {span.text: span.get("style") or "" for span in root.iter("span")}
    assert UNMET_COLOUR in legend["! NOT MET: an expectation"]
    assert REMARK_COLOUR in legend["! a remark"]


def test_wear_has_a_digit_for_each_step_and_a_legend() -> None:
    root = parsed(f"<div>{wear_map([0, 1, 20, 21, 99, 100])}</div>")
    assert [sign.text for sign in root.iter(f"{SVG}text")] == ["0", "1", "1", "2", "5", "5"]
    told = "".join(root.itertext())
    assert "0 0, 1 1 to 20, 2 21 to 40, 3 41 to 60, 4 61 to 80, 5 81 to 100 erases" in told
    assert "block 4: 99 erases" in told


def test_the_steps_of_wear_differ_in_lightness() -> None:
    def lightness(colour: str) -> float:  # relative luminance without the gamma: enough to order them
        red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    steps = [lightness(colour) for colour in COLOURS]
    assert all(light - dark > 20 for light, dark in pairwise(steps))


def rgb(colour: str) -> list[float]:
    digits = colour[1:] if len(colour) == 7 else "".join(digit * 2 for digit in colour[1:])
    return [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]


def luminance(parts: list[float]) -> float:
    """Relative luminance as the Web Content Accessibility Guidelines 2.1 define it."""
    red, green, blue = (part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(ink: str, ground: list[float]) -> float:
    light, dark = sorted((luminance(rgb(ink)), luminance(ground)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_all_text_on_a_colour_of_ours_has_its_own_ink_and_is_easily_read() -> None:
    """On a light page as on a dark one: a contrast of 4.5 or more, which these guidelines ask for."""
    grounds = [(ink_on(step), rgb(colour)) for step, colour in enumerate(COLOURS)]
    grounds += [(INK, rgb(colour)) for colour in (REMARK_COLOUR, UNMET_COLOUR)]
    for _, colour in LOOKS.values():
        over = zip(rgb(LIVE_COLOUR), rgb(colour), strict=True)
        live = [LIVE_SHARE * bar + (1 - LIVE_SHARE) * own for bar, own in over]
        grounds += [(INK, rgb(colour)), (INK, live)]
    assert min(contrast(ink, ground) for ink, ground in grounds) >= 4.5
    root = parsed(f"<div>{block_map([BlockView(0, 'open', 1, 9)], 4096)}{wear_map([0, 3])}</div>")
    styles = [span.get("style") or "" for span in root.iter("span")]
    assert styles
    assert all("background:" in style and "color:" in style.split("background:")[1] for style in styles)


def test_many_blocks_share_a_cell_of_wear_and_none_worn_is_no_error() -> None:
    root = parsed(f"<div>{wear_map([0] * 1500 + [7] + [0] * 499)}</div>")
    signs = [sign.text for sign in root.iter(f"{SVG}text")]
    assert (len(signs), signs.index("5"), signs.count("5")) == (500, 375, 1)
    assert "0 0 erases" in "".join(parsed(f"<div>{wear_map([0, 0])}</div>").itertext())
