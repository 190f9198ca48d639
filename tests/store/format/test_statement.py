"""STATEMENTs: the fast codec against the declaration, both ways; what no reader takes for one."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from zlib import crc32

import construct
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simfs.store.format import codec, declaration, declared_statement
from simfs.store.format.codec import FRAME_BYTES, HEADER_BYTES, INNER, NOWHERE, Kind
from simfs.store.format.settings import PAGE_PACKING
from simfs.store.format.statement import (
    NO_OTHER,
    TWO_HEADS,
    Left,
    Other,
    Settings,
    Statement,
    any_statement,
    decode_statement,
    encode_statement,
    statement_bytes,
    version_of,
)
from tests.store.format.test_codec import BASE, ORDER, U8, U16, U32, U64, fields_of, quick

SETTINGS = st.builds(Settings, U8, U8, U8, U8, U16, U32, U32, U32, U16, U16, U16, U16, U16)
LEFT = st.builds(Left, U16, U64, U32)
OTHER = st.builds(Other, U16, U32, U32, U64)
FRAMES = st.binary(max_size=60).map(lambda payload: codec.encode_frame(Kind.DATA ^ INNER, 7, 40, 3, payload, 99))


@st.composite
def statements(draw: st.DrawFn) -> Statement:
    """Any that can be programmed, as numbers; where it stands is not among them."""
    settings = draw(SETTINGS)
    two = settings.log_heads == 2
    return Statement(
        settings, draw(BASE), draw(ORDER), draw(U32), draw(U32), draw(st.integers(0, 1)) if two else 0,
        draw(U16), draw(U32), draw(U16), draw(U32), draw(U16), draw(U16), draw(U16), draw(U64), draw(U32), draw(U32),
        end=draw(U32), other=draw(OTHER) if two else NO_OTHER, left=tuple(draw(st.lists(LEFT, max_size=6))),
    )  # fmt: skip


def declared(said: Statement, inner: bytes = b"") -> dict[str, Any]:
    """What it says, as the declaration names it."""
    names = (
        "base", "end", "erase_count", "erase_count_max", "head", "next", "next_erase_count", "after",
        "after_erase_count", "used_from", "used", "before", "before_base", "base_sum", "place_sum",
    )  # fmt: skip
    fields: dict[str, Any] = {name: getattr(said, name) for name in names}
    return fields | {
        "settings": said.settings._asdict(),
        "other": said.other._asdict() if said.settings.log_heads == 2 else None,
        "left_count": len(said.left),
        "left": [left._asdict() for left in said.left],
        "inner": inner,
    }


def plain(container: construct.Container) -> dict[str, Any]:
    """The same of a parsed one."""
    fields = fields_of(container)
    return fields | {
        "settings": fields_of(container.settings),
        "other": None if container.other is None else fields_of(container.other),
        "left": [fields_of(left) for left in container.left],
    }


def built(said: Statement, block: int, inner: bytes) -> bytes:
    """The frame as the declaration builds it."""
    payload = declared_statement.STATEMENT.build(declared(said, inner))
    head = {"kind": "STATEMENT", "order": said.order, "length": len(payload), "file": 0, "offset": 0}
    frame = {"head": {"value": head}, "payload": {"value": declared(said, inner)}}
    return bytes(declaration.FRAME.build(frame, salt=declaration.statement_salt(block)))


@given(statements(), U16, st.just(b"") | FRAMES, st.integers(0, 100))
@quick
def test_a_statement_both_ways(said: Statement, block: int, inner: bytes, address: int) -> None:
    raw = encode_statement(block, said, inner)
    assert built(said, block, inner) == raw
    assert len(raw) == statement_bytes(said.settings.log_heads, len(said.left), len(inner))
    parsed = declaration.parse_frame(raw, declaration.statement_salt(block))
    assert parsed is not None
    assert parsed.head.value.order == said.order
    assert plain(parsed.payload.value) == declared(said, inner)
    placed = b"\xff" * address + raw + b"\xff" * 9
    found = decode_statement(placed, block, 3, address)
    stands = address + len(raw) - 4 - len(inner) if inner else NOWHERE
    assert found == replace(said, at=3, address=address, inner=stands, stop=address + len(raw))
    assert found.number == said.base + said.order
    if inner:
        assert placed[found.inner : found.inner + len(inner)] == inner


@pytest.mark.parametrize(("heads", "size"), [(1, 104), (2, 122)])
def test_sizes(heads: int, size: int) -> None:
    assert declared_statement.SETTINGS.sizeof() == 28
    assert declared_statement.OTHER.sizeof() == 18
    assert declared_statement.LEFT.sizeof() == 14
    assert statement_bytes(heads, 0, 0) == size
    assert statement_bytes(heads, 3, 27) == size + 3 * 14 + 27
    assert declared_statement.TWO_HEADS == TWO_HEADS
    assert declared_statement.PAGE_PACKING == PAGE_PACKING


ONE_HEAD = Settings(2, 32, 1, 48, 0, 4096, 256, 0, 64, 256, 3, 8, 8)
TWO = ONE_HEAD._replace(flags=32 | TWO_HEADS)
SAID = Statement(ONE_HEAD, 900, 17, 5, 9, 0, 3, 4, 6, 5, 0, 12, 8, 700, 1234, 5678)
BOTH = replace(SAID, settings=TWO, head=1, other=Other(7, 300, 512, 890), left=(Left(2, 500, 999),))
INSIDE = codec.encode_frame(Kind.NAME ^ INNER, 7, 40, 16, b"/tide.csv", codec.salt_of(5, 900))
SOUND = {"one head": (SAID, b""), "two heads, a block left, a frame within": (BOTH, INSIDE)}


@pytest.mark.parametrize("name", SOUND)
def test_no_flipped_bit_of_a_statement_goes_unseen(name: str) -> None:
    said, inner = SOUND[name]
    raw = bytearray(encode_statement(5, said, inner))
    salt = declaration.statement_salt(5)
    assert decode_statement(raw, 5, 0, 0) is not None
    for bit in range(8 * len(raw)):
        raw[bit // 8] ^= 1 << bit % 8
        assert decode_statement(bytes(raw), 5, 0, 0) is None, bit
        assert declaration.parse_frame(bytes(raw), salt) is None, bit
        raw[bit // 8] ^= 1 << bit % 8


@given(statements(), U16, st.data())
@quick
def test_a_part_of_a_statement_is_none(said: Statement, block: int, data: st.DataObject) -> None:
    raw = encode_statement(block, said)
    cut = data.draw(st.integers(0, len(raw) - 1))
    for rest in (b"", b"\xff" * (len(raw) - cut), bytes(len(raw) - cut)):
        if raw[:cut] + rest != raw:
            assert decode_statement(raw[:cut] + rest, block, 0, 0) is None


@given(statements(), U16, st.integers(1, 1000))
@quick
def test_a_statement_of_another_block_is_none(said: Statement, block: int, away: int) -> None:
    raw = encode_statement(block, said)
    other = (block + away) % 2**16
    assert decode_statement(raw, other, 0, 0) is None
    assert declaration.parse_frame(raw, declaration.statement_salt(other)) is None


def frame_of(payload: bytes, order: int = 0) -> bytes:
    """A sound frame of a statement in block 5 with this payload."""
    return codec.encode_frame(Kind.STATEMENT, 0, 0, order, payload, codec.statement_salt(5))


SAYS = encode_statement(5, SAID)[HEADER_BYTES:-4]
SAYS_BOTH = encode_statement(5, replace(BOTH, left=()))[HEADER_BYTES:-4]


@pytest.mark.parametrize(
    ("payload", "order"),
    [
        (SAYS[:-1], 0),
        (b"", 0),
        (SAYS_BOTH[:-1], 0),
        (SAYS_BOTH[: len(SAYS)], 0),
        (SAYS[:21] + b"\1" + SAYS[22:], 0),
        (SAYS[:20] + b"\1" + SAYS[21:], 0),
        (SAYS_BOTH[:20] + b"\2" + SAYS_BOTH[21:], 0),
        ((codec.NUMBER_MAX - 1).to_bytes(8, "little") + SAYS[8:], 1),
    ],
    ids=[
        "too short", "nothing", "too short for two heads", "without the other head", "a block left that is not there",
        "a second head where one is", "a third head", "past the last number",
    ],
)  # fmt: skip
def test_a_sound_frame_that_says_something_impossible_is_no_statement(payload: bytes, order: int) -> None:
    assert decode_statement(frame_of(SAYS), 5, 0, 0) is not None
    assert decode_statement(frame_of(payload, order), 5, 0, 0) is None


def test_the_last_number_of_all_is_taken() -> None:
    last = replace(SAID, base=codec.NUMBER_MAX - 2, order=1)
    found = decode_statement(encode_statement(5, last), 5, 0, 0)
    assert found is not None
    assert found.number == codec.NUMBER_MAX - 1


@given(st.binary(max_size=200), U16)
@quick
def test_any_bytes_are_a_statement_or_none(raw: bytes, block: int) -> None:
    assert decode_statement(raw, block, 0, 0) is None
    salt = codec.statement_salt(block)
    framed = codec.encode_frame(Kind.STATEMENT, 0, 0, 3, raw, salt)
    found = decode_statement(framed, block, 0, 0)
    parsed = declaration.parse_frame(framed, salt)
    assert found is None or parsed is not None
    assert FRAME_BYTES + len(raw) == len(framed)


@pytest.mark.parametrize("unit_bytes", [1, 2, 4, 8, 16])
@pytest.mark.parametrize("packing", ["byte", "page"])
@pytest.mark.parametrize("at", [0, 256, 768])
def test_a_statement_is_found_without_the_settings(at: int, packing: str, unit_bytes: int) -> None:
    """As where no block begins with one: at the place of any page."""
    flags = PAGE_PACKING if packing == "page" else 0
    said = replace(SAID, settings=ONE_HEAD._replace(flags=flags, unit_bytes=unit_bytes))
    mark = 1 if unit_bytes == 1 else 2 * unit_bytes
    address = at + (0 if packing == "page" else 4 * mark + -(-12 // unit_bytes) * unit_bytes)
    raw = (b"\xff" * address + encode_statement(5, said)).ljust(4096, b"\xff")
    found = any_statement(raw, 5, 256, unit_bytes)
    assert found is not None
    assert (found.number, found.address, found.settings) == (917, address, said.settings)
    assert any_statement(raw, 6, 256, unit_bytes) is None
    assert any_statement(b"\xff" * 4096, 5, 256, unit_bytes) is None


def test_an_earlier_version_is_told_by_the_record_at_its_blocks_start() -> None:
    record = bytes.fromhex("155f0300 07000000 00000000")
    record += crc32(record).to_bytes(4, "little")
    assert version_of(record + bytes(50)) == 3
    assert version_of(record[:-1] + bytes([record[-1] ^ 1])) is None
    assert version_of(record[:15]) is None
    assert version_of(encode_statement(5, SAID)) is None
