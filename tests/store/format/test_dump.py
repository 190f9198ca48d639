"""The dump of a block: every structure in a line, and what is none."""

from __future__ import annotations

import re

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.store.format.codec import FRAME_BYTES, HEADER_BYTES, INNER, Kind, encode_end, encode_frame, salt_of
from simfs.store.format.dump import dump_block
from simfs.store.format.layout import layout_of
from simfs.store.format.settings import settings_of
from simfs.store.format.statement import Left, Other, Statement, encode_statement
from tests.support.on_flash import lead_of, ruling_on

SIZE = 4096
UNITS = [1, 2, 4, 8, 16]


def flash_for(unit_bytes: int = 1) -> NorFlash:
    return NorFlash(block_count=6, block_bytes=SIZE, page_bytes=256, program_unit_bytes=unit_bytes)


def filled(config: StoreConfig, unit_bytes: int = 1) -> NorFlash:
    """A store whose first block is sealed, and whose second one is open."""
    flash = flash_for(unit_bytes)
    store = Store.format(flash, config)
    while flash.image()[SIZE : 2 * SIZE].count(0xFF) == SIZE:
        with store.open("/log", "a") as file:
            file.write(b"14:20 7.31 m\n" * 10)
    return flash


def block_of(flash: NorFlash, block: int) -> bytes:
    return flash.image()[block * SIZE : (block + 1) * SIZE]


def test_a_new_store() -> None:
    flash = flash_for()
    Store.format(flash, StoreConfig())
    assert dump_block(block_of(flash, 0), 0) == [
        "0000 1 byte blank",
        "0001 END of statement 1",
        "000d SURE",
        "000e 2 bytes blank",
        "0010 STATEMENT 1: base 1, head 0, erase count 1 of at most 1, next block 1 with erase count 0, "
        "after block 2 with erase count 0, 3 blocks used from 0 on",
        "0078 3976 bytes blank",
    ]
    assert dump_block(block_of(flash, 1), 1) == ["0000 blank"]


def test_frames() -> None:
    flash = flash_for()
    store = Store.format(flash, StoreConfig())
    with store.open("/log", "w") as file:
        file.write(b"14:20 7.31 m\n")
    lines = dump_block(block_of(flash, 0), 0)
    assert lines[2:5] == ["000d SURE", "000e 1 byte blank", "000f NEXT"]
    assert lines[6] == "0078 NAME file 1 offset 0 order 1: 4 bytes b'/log'"
    assert lines[7] == "0090 DATA file 1 offset 0 order 2: 13 bytes b'14:20 7.31 m'"
    assert lines[8:] == ["00b1 3919 bytes blank"]


@pytest.mark.parametrize("unit_bytes", UNITS)
@pytest.mark.parametrize("packing", ["byte", "page"])
def test_a_sealed_block(packing: str, unit_bytes: int) -> None:
    config = StoreConfig(packing=packing, buffer_bytes=200)
    flash = filled(config, unit_bytes)
    lines, layout = dump_block(block_of(flash, 0), 0), layout_of(flash.geometry, config)
    assert lines[-1 - (packing == "page")].startswith(f"{layout.left_at:04x} ")
    seal = next(line for line in lines if "seal:" in line)
    assert seal.startswith(f"{layout.seal_at:04x} seal: 2 entries, end ")
    assert sum("run entry" in line for line in lines) == 2
    assert f"{layout.sealing_at:04x} SEALING" in lines
    assert f"{layout.left_at:04x} LEFT" in lines
    assert not any("not sound" in line for line in lines)
    listed = sum(int(line.split("length ")[1].split()[0]) for line in lines if "run entry: DATA" in line)
    assert listed == sum(
        int(line.split(": ")[1].split()[0]) for line in lines if " DATA file" in line and " at " not in line
    )


@pytest.mark.parametrize("unit_bytes", UNITS)
@pytest.mark.parametrize("packing", ["byte", "page"])
def test_the_place_that_a_recovery_writes(packing: str, unit_bytes: int) -> None:
    """The frame in doubt stands within the statement."""
    flash = filled(StoreConfig(packing=packing, buffer_bytes=200), unit_bytes)
    Store.mount(flash)
    lead, ruling = lead_of(flash), ruling_on(flash)
    lines = dump_block(block_of(flash, lead), lead)
    assert ruling.inner > ruling.address > 0
    at = lines.index(
        next(line for line in lines if line.startswith(f"{ruling.address:04x} STATEMENT {ruling.number}:"))
    )
    assert f"nothing counts from {ruling.end:04x} up to here" in lines[at]
    assert re.fullmatch(rf"{ruling.inner:04x} within it DATA file 1 offset \d+ order \d+: .*", lines[at + 1])
    assert sum(line.endswith(" FENCE") for line in lines) == 1
    assert sum(line.endswith(f" END of statement {ruling.number}") for line in lines) == 1
    assert not any("not sound" in line for line in lines)


def test_all_that_a_statement_says() -> None:
    config = StoreConfig(log_heads=2)
    said = Statement(
        settings_of(config, flash_for().geometry), 900, 17, 5, 9, 1, 3, 4, 6, 5, 0, 12, 8, 700, 1, 2, end=0x200,
        other=Other(7, 0x300, 0x400, 890), left=(Left(2, 500, 0x3E7), Left(4, 600, 0)),
    )  # fmt: skip
    inner = encode_frame(Kind.NAME ^ INNER, 7, 40, 16, b"/tide.csv", salt_of(5, 900))
    raw = (b"\xff" * 0x410 + encode_statement(5, said, inner)).ljust(SIZE, b"\xff")
    lines = dump_block(raw, 5)
    assert lines[1:3] == [
        "0410 STATEMENT 917: base 900, head 1, erase count 5 of at most 9, next block 3 with erase count 4, "
        "after block 6 with erase count 5, 12 blocks used from 0 on, before it block 8 with base 700, "
        "nothing counts from 0200 up to here, other head in block 7, last 890, which ends at 0300 and goes on at 0400, "
        "block 2 with base 500 left at 03e7, block 4 with base 600 left at 0000",
        "04a2 within it NAME file 7 offset 40 order 16: 9 bytes b'/tide.csv'",
    ]
    other = encode_frame(Kind.NAME ^ INNER, 7, 40, 16, b"/tide.csv", salt_of(5, 901))
    raw = (b"\xff" * 0x410 + encode_statement(5, said, other)).ljust(SIZE, b"\xff")
    assert dump_block(raw, 5)[2] == "04a2 within it not sound"


def test_damage_shows_where_it_is_and_nothing_else_changes() -> None:
    flash = filled(StoreConfig())
    raw = block_of(flash, 0)
    lines = dump_block(raw, 0)
    for line in lines:
        if " blank" in line or line.endswith((" SURE", " NEXT", " SEALING", " LEFT")):
            continue
        at = int(line.split()[0], 16)
        hurt = dump_block(raw[:at] + bytes([raw[at] ^ 1]) + raw[at + 1 :], 0)
        gone = [one for one in lines if one not in hurt and "blank" not in one]
        assert line in gone
        assert any("not sound" in one for one in hurt)
        if "STATEMENT" in line:
            assert {line.split()[-1] for line in gone} == {"on", "SURE", "NEXT", "SEALING", "LEFT"}, (
                "it tells where marks stand"
            )
        elif "seal" in line or "run entry" in line:
            assert all("run entry" in one or "seal" in one for one in gone), "they share a checksum"
        else:
            assert gone == [line]


def test_without_its_statement_and_its_seal_no_frame_of_a_block_is_sound() -> None:
    flash = filled(StoreConfig())
    raw = bytearray(block_of(flash, 0))
    raw[24] ^= 1
    raw[-10] ^= 1
    lines = dump_block(bytes(raw), 0)
    assert not any(word in line for word in ("DATA", "NAME", "STATEMENT") for line in lines)
    assert lines[1] == "0001 END of statement 1"
    assert dump_block(block_of(flash, 0), 1)[1].startswith("0001 4095 bytes not sound: 01 00")


def test_zeroed_and_random_bytes_are_no_structures() -> None:
    assert dump_block(bytes(SIZE), 0) == [f"0000 {SIZE} bytes of zeros"]
    assert dump_block(b"\xff" * SIZE, 0) == ["0000 blank"]
    mixed = b"\xff" * 100 + encode_end(3, 77) + encode_frame(Kind.BAD, 1, 0, 1, b"", salt_of(3, 7))
    assert dump_block(mixed, 3) == [
        "0000 100 bytes blank",
        "0064 END of statement 77",
        f"0070 {FRAME_BYTES} bytes not sound: {mixed[112:124].hex(' ')}",
    ]
    assert HEADER_BYTES < FRAME_BYTES
