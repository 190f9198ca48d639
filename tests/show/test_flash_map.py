"""A flash map in text and as a picture: to scale, with every address, and nothing from the file left as it is."""

from __future__ import annotations

import re
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from simfs.replay.scenario.regions.room import Stretch
from simfs.show.map.pieces import FREE, pieces, proposal
from simfs.show.map.svg import LOOKS, STRIP_HEIGHT, STRIP_LEFT, STRIP_TOP, as_svg
from simfs.show.map.text import COLUMNS, SCALE_SIGNS, as_text
from simfs.study.flash_map import FlashMap, MappedRegion

MIB, BLOCK = 1 << 20, 4096
ALL = Stretch(0, MIB)
YEAR_NS = 31_557_600 * 10**9
SVG = "{http://www.w3.org/2000/svg}"


def region(name: str, holds: str, start: int, size: int, used: int | None = None, later: int | None = None,
           erased_every_ns: int | None = None) -> MappedRegion:  # fmt: skip
    return MappedRegion(name, holds, start, size, used, later, erased_every_ns, 1000)


def drawn(*regions: MappedRegion, largest: Stretch = ALL, title: str = "A map") -> FlashMap:
    free, at = [], 0
    for one in regions:
        free += [Stretch(at, one.start_bytes)] if one.start_bytes > at else []
        at = one.end_bytes
    free += [Stretch(at, MIB)] if at < MIB else []
    return FlashMap(title, "chip.toml", "generic", MIB, BLOCK, 5, regions, tuple(free), largest)


SHARED = drawn(
    region("main", "program", 0, MIB // 4, MIB // 8, MIB // 4 - BLOCK),
    region("settings", "parameters", MIB // 4, BLOCK, erased_every_ns=YEAR_NS // 100),
    region("files", "store", MIB // 2, MIB // 4),
    region("left", "spare", 3 * MIB // 4, MIB // 4),
    largest=Stretch(MIB // 4 + BLOCK, 3 * MIB // 4),
)


def test_the_text_draws_each_region_to_scale_beside_its_addresses() -> None:
    lines = {line.split()[0]: line for line in as_text(SHARED).split("\n\n")[1].splitlines()[2:]}
    scales = {name: line[line.rindex("KiB") + 5 :] for name, line in lines.items()}
    assert scales == {
        "main": "########",
        "settings": "        |",
        "(free)": "        ........",
        "files": "                ########",
        "left": "                        --------",
    }
    assert all(len(scale) <= SCALE_SIGNS for scale in scales.values())
    assert lines["settings"].split()[:6] == ["settings", "parameters", "0x040000", "0x041000", "4", "KiB"]


def test_the_text_says_what_is_left_and_how_long_it_lasts() -> None:
    text = " ".join(as_text(SHARED).split())
    assert "main: 128 KiB used, 252 KiB after 5 more releases: 4 KiB left" in text
    assert "settings: each block erased every 3.65 days: 10 years to 1,000 cycles" in text
    assert "252 KiB of the chip are free." in text
    assert 'the store can have 508 KiB, and it has 256 KiB now: start = "0x041000", size = "508 KiB"' in text
    assert max(map(len, as_text(SHARED).splitlines())) <= COLUMNS


def test_the_longest_names_addresses_and_sizes_fit_the_screen() -> None:
    chip, name = 256 * MIB, "w" * 40
    rows = (region(name, "parameters", BLOCK, chip - 2 * BLOCK, erased_every_ns=1), region("f", "store", 0, BLOCK))
    wide = FlashMap("t" * 200, "chip.toml", "generic", chip, BLOCK, 10_000, rows, (), Stretch(0, BLOCK))
    assert max(map(len, as_text(wide).splitlines())) <= COLUMNS


def test_a_store_as_large_as_can_be_gets_no_proposal() -> None:
    alone = drawn(region("files", "store", 0, MIB), largest=Stretch(0, MIB))
    assert proposal(alone) == ("The store is as large as the other regions let it be.", "")
    assert "Nothing of the chip is free." in as_text(alone)


def rectangles(picture: str) -> dict[str, list[tuple[float, float]]]:
    """Top and height of each piece of the strip, by what it holds."""
    found: dict[str, list[tuple[float, float]]] = {}
    for one in ElementTree.fromstring(picture).iter(f"{SVG}rect"):
        fill = re.fullmatch(r"url\(#(\w+)\)", one.get("fill", ""))
        if fill and one.get("x") == str(STRIP_LEFT):
            found.setdefault(fill[1], []).append((float(one.get("y", "")), float(one.get("height", ""))))
    return found


def test_the_picture_draws_each_region_to_scale() -> None:
    quarter = STRIP_HEIGHT / 4
    found = rectangles(as_svg(SHARED))
    assert found["program"] == [(STRIP_TOP, quarter)]
    assert found["store"] == [(STRIP_TOP + 2 * quarter, quarter)]
    assert found["parameters"] == [(STRIP_TOP + quarter, pytest.approx(STRIP_HEIGHT / 256, abs=0.01))]
    assert sum(height for every in found.values() for _, height in every) == pytest.approx(STRIP_HEIGHT, abs=0.05)


def test_lines_of_text_never_cover_each_other_and_stay_in_the_picture() -> None:
    many = drawn(*(region(f"r{at}", "store", at * BLOCK, BLOCK, erased_every_ns=1) for at in range(100)))
    tree = ElementTree.fromstring(as_svg(many))
    heights = sorted(float(one.get("y", "")) for one in tree.iter(f"{SVG}text") if one.get("x") == "270")
    assert len(heights) == 201
    assert all(below - above >= 13 for above, below in pairwise(heights))
    assert heights[-1] < float(tree.get("height", "")) - 20


def test_lines_of_small_regions_at_the_end_go_up_instead_of_past_the_strip() -> None:
    last = drawn(*(region(f"r{at}", "store", MIB - (5 - at) * BLOCK, BLOCK) for at in range(5)))
    tree = ElementTree.fromstring(as_svg(last))
    assert (
        max(float(one.get("y", "")) for one in tree.iter(f"{SVG}text") if one.get("x") == "270")
        < STRIP_TOP + STRIP_HEIGHT
    )


def test_no_two_kinds_of_region_differ_by_colour_alone() -> None:
    assert len({(look.hatching, kind if not look.hatching else "") for kind, look in LOOKS.items()}) == len(LOOKS)
    for shade in ("light", "dark"):
        greys = {kind: _grey(getattr(look, shade)) for kind, look in LOOKS.items()}
        assert abs(greys["program"] - greys[FREE]) > 0.3, "these two have no hatching"
    assert "prefers-color-scheme: dark" in as_svg(SHARED)


def _grey(colour: str) -> float:
    red, green, blue = (int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_names_from_the_file_are_escaped() -> None:
    nasty = '<script>&"\x1b[2J\u202e'
    named = drawn(region(nasty, "store", 0, BLOCK), title=nasty)
    picture = as_svg(named)
    assert "<script" not in picture
    assert "\x1b" not in picture + as_text(named)
    texts = "".join(one.text or "" for one in ElementTree.fromstring(picture).iter(f"{SVG}text"))
    assert '<script>&"\\x1b[2J' in texts


def test_the_pieces_are_the_whole_chip() -> None:
    row = pieces(SHARED)
    assert [one.start_bytes for one in row] == [0, *(one.end_bytes for one in row)][:-1]
    assert row[-1].end_bytes == MIB
