"""Settings and geometries that go together, those that do not, and what a store takes of RAM and flash."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

from simfs import CorruptStore, NorFlash, Store, StoreConfig
from simfs.flash import Geometry
from simfs.store.format.codec import FRAME_BYTES
from simfs.store.format.config import CLEANERS, OVERLONG, PACKINGS
from simfs.store.format.settings import CLEANER_SHIFT, check_fit, check_geometry, config_of, settings_of
from simfs.store.format.statement import Settings
from tests.support.on_flash import churn, contents, frames_on, mounted, put

GEOMETRY = Geometry(16, 1024, 128)
CONFIG = StoreConfig(buffer_bytes=64, name_bytes=16)


@pytest.mark.parametrize(
    ("setting", "wrong", "says"),
    [
        ("cleaner", "best", "cleaner is 'best'; it must be one of oldest-first, greedy, cost-benefit, random, best-of"),
        ("packing", "bit", "packing is 'bit'; it must be one of byte, page"),
        ("overlong", "", "overlong is ''; it must be one of reject, cut"),
        ("log_heads", 3, "log_heads is 3; it must be a whole number from 1 to 2"),
        ("log_heads", 0, "log_heads is 0; it must be a whole number from 1 to 2"),
        ("choices", 256, "choices is 256; it must be a whole number from 1 to 255"),
        ("choices", True, "choices is True; it must be a whole number from 1 to 255"),
        ("buffer_bytes", 15, "buffer_bytes is 15; it must be a whole number from 16 to 32768"),
        ("buffer_bytes", 32769, "buffer_bytes is 32769; it must be a whole number from 16 to 32768"),
        ("reserve_blocks", 1, "reserve_blocks is 1; it must be a whole number from 2 to 65535"),
        ("level_threshold", -1, "level_threshold is -1; it must be a whole number from 0 to 65535"),
        ("name_bytes", 1, "name_bytes is 1; it must be a whole number from 2 to 256"),
        ("name_bytes", 257, "name_bytes is 257; it must be a whole number from 2 to 256"),
        ("open_files_max", 0, "open_files_max is 0; it must be a whole number from 1 to 65535"),
        ("open_files_max", 1.0, "open_files_max is 1.0; it must be a whole number from 1 to 65535"),
        ("seed", 2**32, "seed is 4294967296; it must be a whole number from 0 to 4294967295"),
    ],
)
def test_a_setting_that_makes_no_sense_is_named(setting: str, wrong: object, says: str) -> None:
    with pytest.raises(ValueError, match=says.replace(".", r"\.")):
        StoreConfig(**{setting: wrong})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("setting", "least", "most"),
    [
        ("log_heads", 1, 2),
        ("choices", 1, 255),
        ("buffer_bytes", 16, 32768),
        ("reserve_blocks", 2, 65535),
        ("level_threshold", 0, 65535),
        ("name_bytes", 2, 256),
        ("open_files_max", 1, 65535),
        ("seed", 0, 2**32 - 1),
    ],
)
def test_each_number_has_its_bounds(setting: str, least: int, most: int) -> None:
    for value in (least, most):
        assert getattr(StoreConfig(**{setting: value}), setting) == value  # type: ignore[arg-type]
    for value in (least - 1, most + 1):
        with pytest.raises(ValueError, match=f"^{setting} is {value}; .* whole number from {least} to {most}$"):
            StoreConfig(**{setting: value})  # type: ignore[arg-type]


def test_the_defaults() -> None:
    plain = StoreConfig()
    assert (plain.cleaner, plain.choices, plain.log_heads, plain.packing) == ("greedy", 2, 1, "byte")
    assert (plain.buffer_bytes, plain.reserve_blocks, plain.level_threshold) == (None, None, 8)
    assert (plain.name_bytes, plain.overlong, plain.open_files_max, plain.seed) == (48, "reject", 8, 0)
    assert not plain.idle_cleaning
    assert not plain.fold_case


def test_the_reserve_is_three_blocks_unless_set() -> None:
    """Two that the log names ahead, and one for the cleaner."""
    assert [StoreConfig(log_heads=heads).reserve for heads in (1, 2)] == [3, 3]
    assert StoreConfig(reserve_blocks=7).reserve == 7


@pytest.mark.parametrize(
    ("geometry", "settings", "says"),
    [
        ({"block_bytes": 1032, "page_bytes": 129}, {}, "erase blocks of a multiple of 16"),
        ({"program_unit_bytes": 32}, {}, "program units of 1, 2, 4, 8 or 16 bytes"),
        ({"block_bytes": 1 << 25, "page_bytes": 256}, {}, "at most 16 MiB"),
        ({"block_count": 65535}, {}, "at most 65534 erase blocks, not 65535"),
        ({"page_programs_max": 1}, {}, "at least 8 programs a page; the flash allows 1"),
        ({"page_programs_max": 7}, {}, "at least 8 programs a page; the flash allows 7"),
        ({"block_bytes": 256}, {}, "an erase block of 256 bytes has room for .* need"),
        ({}, {"buffer_bytes": 900}, "a write buffer of 900 and names of 16 bytes need"),
        ({}, {"name_bytes": 256}, "names of 256 bytes need"),
        (
            {"block_count": 4},
            {},
            "4 erase blocks are too few; 3 are the reserve, 1 open for writing, and the files need",
        ),
        ({"block_count": 5}, {"log_heads": 2}, "5 erase blocks are too few; 3 are the reserve, 2 open for writing"),
        ({}, {"reserve_blocks": 16}, "16 erase blocks are too few; 16 are the reserve"),
        (
            {"block_count": 6},
            {"log_heads": 2, "buffer_bytes": 200},
            "6 erase blocks of 1024 bytes leave 264 bytes for files; a file and the names of 4 that were removed need",
        ),
        (
            {"block_bytes": 512, "page_programs_max": 8},
            {"buffer_bytes": 16},
            "an erase block of 512 bytes is too small: the log's statements .* take up to .* of its 384 bytes",
        ),
        ({"program_unit_bytes": 16}, {}, "pages of 128 bytes are too small: .* marks take 160 bytes of one page"),
        ({"page_bytes": 64, "program_unit_bytes": 8}, {}, "the log's marks take 96 bytes of one page"),
        ({"page_bytes": 64, "program_unit_bytes": 16}, {"packing": "page"}, "the log's marks take 112 bytes"),
    ],
)
def test_what_does_not_fit_is_refused_before_anything_is_erased(
    geometry: dict[str, int], settings: dict[str, object], says: str
) -> None:
    sizes = {"block_count": 16, "block_bytes": 1024, "page_bytes": 128, **geometry}
    config = replace(CONFIG, **settings)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=says):
        check_fit(Geometry(**sizes), config)
    if sizes["block_count"] * sizes["block_bytes"] < 1 << 20:
        flash = NorFlash(**sizes)
        with pytest.raises(ValueError, match=says):
            Store.format(flash, config)
        assert (flash.programs, flash.erases) == (0, 0)


def test_eight_programs_a_page_are_enough() -> None:
    """FENCE, STATEMENT, END and NEXT are four, the seal is one more; three are kept for what a cut lets a mount try
    again."""
    sizes = {"block_count": 16, "block_bytes": 1024, "page_bytes": 128}
    store = Store.format(NorFlash(**sizes, page_programs_max=8), CONFIG)
    churn(store, 100)
    assert min(store.erase_counts) > 0
    assert contents(store) == mounted(store)


def test_all_cleaners_fit_the_bits_that_a_statement_has_for_them() -> None:
    assert len(CLEANERS) << CLEANER_SHIFT <= 1 << 8


@pytest.mark.parametrize("packing", PACKINGS)
@pytest.mark.parametrize("overlong", OVERLONG)
@pytest.mark.parametrize("cleaner", CLEANERS)
def test_a_statement_holds_all_settings(cleaner: str, overlong: str, packing: str) -> None:
    config = StoreConfig(
        cleaner, choices=9, log_heads=2, packing=packing, buffer_bytes=77, reserve_blocks=6, level_threshold=70,
        idle_cleaning=overlong == "cut", name_bytes=33, overlong=overlong, fold_case=packing == "page",
        open_files_max=1000, seed=2**32 - 1,
    )  # fmt: skip
    assert config_of(settings_of(config, GEOMETRY)) == config


@pytest.mark.parametrize(
    "changes",
    [{"flags": 5 << 5}, {"reserve_blocks": 0}, {"buffer_bytes": 3}, {"name_bytes": 1}, {"choices": 0}],
)
def test_impossible_settings_on_the_flash_are_corruption(changes: dict[str, int]) -> None:
    with pytest.raises(CorruptStore, match="a statement holds impossible settings"):
        config_of(settings_of(CONFIG, GEOMETRY)._replace(**changes))


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"block_bytes": 2048}, "2048 bytes an erase block, the flash has 1024"),
        ({"page_bytes": 64}, "64 bytes a page, the flash has 128"),
        ({"unit_bytes": 8}, "8 bytes a program unit, the flash has 1"),
        ({"page_programs_max": 4}, "4 programs a page, the flash has 0"),
        ({"block_count": 15}, "15 erase blocks, the flash has 16"),
    ],
)
def test_another_geometry_is_named(changes: dict[str, int], says: str) -> None:
    record: Settings = settings_of(CONFIG, GEOMETRY)
    check_geometry(record, GEOMETRY)
    with pytest.raises(CorruptStore, match=says):
        check_geometry(record._replace(**changes), GEOMETRY)


def test_ram_by_hand() -> None:
    """8 bytes a span; 24 a file, its name and a terminator; 12 a block; run entries of 16, a seal and 32 a head; a
    buffer and 16 for each file that may be open."""
    store = Store.format(NorFlash(12, 1024, 128), replace(CONFIG, open_files_max=3))
    heads = 4 * 16 + 24 + 32  # a block of 1 KiB lists 4 runs
    expected = {"index_bytes": 0, "names_bytes": 0, "blocks_bytes": 12 * 12 + heads, "buffers_bytes": 3 * (64 + 16)}
    assert store.ram() == expected
    put(store, "log", b"x" * 100)
    put(store, "b", b"")
    expected |= {"index_bytes": 8, "names_bytes": (24 + 3 + 1) + (24 + 1 + 1)}
    assert store.ram() == expected
    with store.open("log", "r+") as file:
        file.seek(40)
        file.write(b"inside")
    assert store.ram() == expected | {"index_bytes": 3 * 8}
    store.remove("b")
    assert store.ram()["names_bytes"] == (24 + 3 + 1) + (8 + 1 + 1), "a tombstone: place and key"


@pytest.mark.parametrize("heads", [1, 2])
def test_usage_by_what_stands_on_the_flash(heads: int) -> None:
    store = Store.format(NorFlash(12, 1024, 128), replace(CONFIG, log_heads=heads))
    random = Random(1)
    for _ in range(80):
        put(store, random.choice("abcde"), random.randbytes(random.randrange(200)))
    usage, blocks = store.usage(), store.blocks()
    ends = {frame.block: frame.address + FRAME_BYTES + len(frame.payload) for frame in frames_on(store.flash)}
    opened = [block.number for block in blocks if block.state == "open"]
    ready = sum(block.state in ("ready", "blank") for block in blocks)
    assert usage.blank_bytes == 1024 * ready + sum((number + 1) * 1024 - ends[number] for number in opened)
    assert store.live_bytes == usage.live_bytes <= usage.capacity_bytes
    live = sum(block.live_bytes for block in blocks)
    assert usage.dead_bytes == 12 * 1024 - usage.blank_bytes - live
    assert usage.live_bytes - live == sum(FRAME_BYTES + len(name) for name in store.names()), "removals kept ready"
