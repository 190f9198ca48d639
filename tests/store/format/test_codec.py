"""The fast codec against the declaration of the format, both ways; checksums against published values."""

from __future__ import annotations

import re
import subprocess
import sys
from struct import Struct
from zlib import crc32

import construct
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfs import NorFlash, Store, StoreConfig
from simfs.store.format import codec, declaration, declared_statement
from simfs.store.format.codec import INNER, Frame, Kind, Seal
from simfs.store.format.runs import KIND_MASK, Run, decode_runs
from tests.support.on_flash import decode_seal, seal_check

U8, U16, U24, U32, U64 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 24, 32, 64))
ORDER = st.integers(0, codec.ORDER_MAX)
BASE = st.integers(0, codec.NUMBER_MAX - 1 - codec.ORDER_MAX)
NAME = st.binary(min_size=1, max_size=60).map(lambda name: name.replace(b"\0", b"/"))
FRAMES = [kind for kind in Kind if kind != Kind.STATEMENT]
KINDS = st.sampled_from(sorted(Kind))
RUNS = st.lists(st.builds(Run, KINDS, U24, ORDER, U16, U32, U32), max_size=8)
SEALS = st.builds(Seal, st.just(0), U32, U32, BASE)
quick = settings(max_examples=60, deadline=None)


def payload_fields(kind: Kind) -> st.SearchStrategy[dict[str, object]]:
    """What a frame of this kind says, as the declaration names it."""
    fields: dict[Kind, dict[str, st.SearchStrategy[object]]] = {
        Kind.DATA: {"bytes": st.binary(max_size=300)},
        Kind.HOLE: {"zeros_from": U32, "bytes": st.binary(max_size=300)},
        Kind.NAME: {"name": NAME},
        Kind.RENAME: {"name": NAME, "old_name": NAME},
        Kind.REMOVE: {"name": NAME},
        Kind.BAD: {},
        Kind.LEFT: {"base": U64},
        Kind.SKIP: {"void_from": U32},
    }
    return st.fixed_dictionaries(fields[kind])


def payload_bytes(fields: dict[str, object]) -> bytes:
    """The same by hand, for the codec."""
    if "old_name" in fields:
        return b"%b\0%b" % (fields["name"], fields["old_name"])
    numbers = (("zeros_from", 4), ("void_from", 4), ("base", 8))
    before = b"".join(int(str(fields[name])).to_bytes(size, "little") for name, size in numbers if name in fields)
    return before + b"".join(value for value in fields.values() if isinstance(value, bytes))


def fields_of(container: construct.Container) -> dict[str, object]:
    return {name: value for name, value in container.items() if not name.startswith("_")}


# -- both ways


@pytest.mark.parametrize("kind", FRAMES)
@given(st.data())
@quick
def test_frame(kind: Kind, data: st.DataObject) -> None:
    fields = data.draw(payload_fields(kind))
    file, offset, order, salt = (data.draw(one) for one in (U32, U32, ORDER, U32))
    payload = payload_bytes(fields)
    head = {"kind": kind.name, "order": order, "length": len(payload), "file": file, "offset": offset}
    for inner, declared in ((0, declaration.FRAME), (INNER, declaration.INNER_FRAME)):
        raw = codec.encode_frame(kind ^ inner, file, offset, order, payload, salt)
        parsed = declared.parse(raw, salt=salt)
        assert fields_of(parsed.head.value) == head
        assert fields_of(parsed.payload.value) == fields
        assert declared.build({"head": {"value": head}, "payload": {"value": fields}}, salt=salt) == raw
        assert codec.decode_header(raw[:16], 640, salt) == Frame(kind, len(payload), file, offset, order, 640)
        assert codec.payload_is_sound(raw, len(payload), salt)


def test_a_frame_within_a_statement_is_none_outside_and_the_other_way_round() -> None:
    outside, inside = (codec.encode_frame(kind, 7, 0, 1, b"/name", 9) for kind in (Kind.NAME, Kind.NAME ^ INNER))
    assert declaration.parse_frame(outside, 9) is not None
    assert declaration.parse_inner_frame(inside, 9) is not None
    assert declaration.parse_frame(inside, 9) is declaration.parse_inner_frame(outside, 9) is None


@given(st.lists(st.binary(min_size=1, max_size=40), min_size=1, max_size=6), U32, U32, st.sampled_from([1, 4, 16, 64]))
@quick
def test_frames_encoded_together_are_those_encoded_one_by_one(
    payloads: list[bytes], file: int, salt: int, step: int
) -> None:
    together = codec.encode_frames(file, 100, 5, lambda: payloads, salt, step)
    offset, singly = 100, b""
    for order, payload in enumerate(payloads, 5):
        frame = codec.encode_frame(Kind.DATA, file, offset, order, payload, salt)
        singly += frame.ljust(-(-len(frame) // step) * step, b"\xff")
        offset += len(payload)
    assert together == singly


@given(RUNS, SEALS, U16)
@quick
def test_run_entries_and_seal(runs: list[Run], seal: Seal, block: int) -> None:
    seal = seal._replace(entry_count=len(runs))
    salt = codec.salt_of(block, seal.base)
    raw = codec.encode_seal([run.encode(0) for run in runs], seal, salt)
    parsed = declaration.parse_tail(b"\xff" * 100 + raw, block)
    assert parsed is not None
    declared = [
        {"address": run.address, "first": {"order": run.order, "kind": Kind(run.kind).name}, "length": run.length,
         "file": run.file, "offset": run.offset}
        for run in runs
    ]  # fmt: skip
    assert [fields_of(entry) | {"first": fields_of(entry.first)} for entry in parsed.entries] == declared
    assert fields_of(parsed.seal) == seal._asdict() | {"magic": codec.MAGIC}
    body = {"body": {"value": {"entries": declared, "seal": seal._asdict()}}}
    assert declaration.BLOCK_TAIL.build(body, salt=salt, listed=len(runs)) == raw
    assert decode_seal(raw[-24:]) == seal
    assert seal_check(raw, salt)
    decoded = decode_runs(raw[: 16 * len(runs)], 0)
    slots = Run.__slots__
    assert [[getattr(run, slot) for slot in slots] for run in decoded] == [
        [getattr(run, slot) for slot in slots] for run in runs
    ]


def test_a_seal_that_lists_no_runs() -> None:
    raw = codec.encode_seal([], Seal(codec.UNLISTED, 900, 40, 7), codec.salt_of(3, 7))
    parsed = declaration.parse_tail(b"\xff" * 100 + raw, 3)
    assert parsed is not None
    assert (parsed.seal.entry_count, len(parsed.entries)) == (codec.UNLISTED, 0)


def test_a_seal_with_another_magic_is_none() -> None:
    body = codec.SEAL.pack(codec.MAGIC ^ 1, 0, 900, 40, 7)
    raw = body + codec.U32.pack(crc32(body, codec.salt_of(3, 7)))
    assert decode_seal(raw) is None
    assert declaration.parse_tail(raw, 3) is None


@given(U16, st.integers(0, codec.NUMBER_MAX - 1))
@quick
def test_end_record(block: int, number: int) -> None:
    raw = codec.encode_end(block, number)
    assert len(raw) == codec.END_BYTES
    assert declaration.parse_end(raw, block) == codec.decode_end(raw, block) == number
    salt = declaration.statement_salt(block)
    assert declaration.END.build({"body": {"value": {"number": number}}}, salt=salt) == raw
    assert declaration.parse_end(raw, block ^ 1) is codec.decode_end(raw, block ^ 1) is None
    assert declaration.parse_end(raw[:-1], block) is codec.decode_end(raw[:-1], block) is None


@given(U16, BASE)
@quick
def test_salts(block: int, base: int) -> None:
    assert declaration.salt_of(block, base) == codec.salt_of(block, base)
    assert declaration.statement_salt(block) == codec.statement_salt(block)
    assert len({codec.salt_of(block, base), codec.statement_salt(block), codec.salt_of(block ^ 1, base)}) == 3


def test_sizes() -> None:
    assert len(codec.encode_frame(Kind.BAD, 0, 0, 0, b"", 0)) == codec.FRAME_BYTES == declaration.FRAME_BYTES == 20
    assert codec.HEADER_BYTES == codec.HEADER.size == codec.HEAD.size + 2 == 16
    assert declaration.RUN_ENTRY.sizeof() == codec.ENTRY_BYTES == codec.ENTRY.size == declaration.ENTRY_BYTES == 16
    assert declaration.SEAL.sizeof() + 4 == codec.SEAL_BYTES == codec.SEALED.size == declaration.SEAL_BYTES == 24
    assert codec.SEAL.size + 4 == codec.SEAL_BYTES
    assert codec.END.size + 4 == codec.END_BYTES == declared_statement.END_BYTES == 12
    assert declaration.SALT.sizeof() == 10


def test_the_declared_numbers_are_those_of_the_codec() -> None:
    assert {kind.name: int(kind) for kind in Kind} == declaration.KINDS
    assert {kind.name: kind ^ INNER for kind in Kind} == declaration.INNER_KINDS
    assert all(kind & KIND_MASK == kind >> 4 for kind in Kind), "a run entry keeps one half of a kind's byte"
    for name in ("VERSION", "MAGIC", "UNLISTED"):
        assert getattr(declaration, name) == getattr(codec, name)
    assert declaration.STATEMENT_NUMBER == codec.NUMBER_MAX
    assert (declared_statement.NO_BLOCK, declared_statement.NOWHERE) == (codec.NO_BLOCK, codec.NOWHERE)
    assert not {0x00, 0xFF} & {*declaration.KINDS.values(), *declaration.INNER_KINDS.values()}
    assert not set(declaration.KINDS.values()) & set(declaration.INNER_KINDS.values())


# -- the worked example


def example() -> dict[str, bytes]:
    """The bytes in the docstring of the declaration, by what they are."""
    assert declaration.__doc__ is not None
    found: dict[str, bytes] = {}
    label = ""
    for words, hexes in re.findall(r"^    ([a-z, ]*?) +((?:[0-9a-f]{2} ?)+)$", declaration.__doc__, re.MULTILINE):
        label = words.strip() or label
        found[label] = found.get(label, b"") + bytes.fromhex(hexes)
    return found


def test_the_worked_example_is_what_a_store_writes() -> None:
    flash = NorFlash(block_count=64, block_bytes=4096, page_bytes=256)
    Store.format(flash, StoreConfig())
    shown = example()
    place = b"".join(shown[part] for part in ("fence", "end", "sure", "doubted, next", "statement"))
    assert place.ljust(4096, b"\xff") == flash.image()[:4096]
    assert shown["frame"] == codec.encode_frame(Kind.DATA, 5, 12, 1, b"20.1 m", codec.salt_of(0, 1))


# -- checksums


def crc(width: int, polynomial: int, start: int, reflected: bool, final: int, data: bytes) -> int:
    """Any of the catalogue's CRCs, a bit at a time."""
    value, top = start, 1 << (width - 1)
    for byte in data:
        for bit in range(8) if reflected else range(7, -1, -1):
            differs = bool(value & top) != bool(byte >> bit & 1)
            value = (value << 1 & (1 << width) - 1) ^ (polynomial if differs else 0)
    return (int(f"{value:0{width}b}"[::-1], 2) if reflected else value) ^ final


# "Catalogue of parametrised CRC algorithms", G. Cook, reveng.sourceforge.io/crc-catalogue: CRC of "123456789".
CATALOGUE = {
    "CRC-32/ISO-HDLC": ((32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF), 0xCBF43926),
    "CRC-32C": ((32, 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF), 0xE3069283),
    "CRC-16/IBM-3740": ((16, 0x1021, 0xFFFF, False, 0), 0x29B1),
    "CRC-16/ARC": ((16, 0x8005, 0, True, 0), 0xBB3D),
    "CRC-8/SMBUS": ((8, 0x07, 0, False, 0), 0xF4),
}


@pytest.mark.parametrize("name", CATALOGUE)
def test_check_values_of_the_catalogue(name: str) -> None:
    parameters, check = CATALOGUE[name]
    assert crc(*parameters, b"123456789") == check


@given(st.binary(max_size=40))
@quick
def test_the_format_uses_the_catalogues_crc_32(data: bytes) -> None:
    parameters, check = CATALOGUE["CRC-32/ISO-HDLC"]
    assert crc32(b"123456789") == check
    assert crc32(data) == crc(*parameters, data)


def test_the_trap_of_erased_flash() -> None:
    """Four FFh bytes followed by their own CRC-32 are eight FFh bytes (from the definition of CRC-32/ISO-HDLC)."""
    assert crc32(b"\xff" * 4) == 0xFFFFFFFF


# -- what never validates


def any_structure_in(raw: bytes, block: int, base: int) -> bool:
    """Whether either reader takes the bytes for a sound structure of this block's life."""
    salts = (codec.salt_of(block, base), codec.statement_salt(block))
    for salt in salts:
        frame = codec.decode_header(raw[:16], 0, salt) if len(raw) >= 16 else None
        if frame is not None and len(raw) >= 20 + frame.length and codec.payload_is_sound(raw, frame.length, salt):
            return True
        if declaration.parse_frame(raw, salt) is not None or declaration.parse_inner_frame(raw, salt) is not None:
            return True
    seal = decode_seal(raw[-24:]) if len(raw) >= 24 else None
    return bool(
        (seal is not None and seal_check(raw, codec.salt_of(block, seal.base)))
        or codec.decode_end(raw, block) is not None
        or declaration.parse_end(raw, block) is not None
        or declaration.parse_tail(raw, block) is not None
    )


STRUCTURES = {
    **{kind.name: codec.encode_frame(kind, 7, 40, 3, b"reading1", codec.salt_of(2, 9)) for kind in FRAMES},
    "RENAME": codec.encode_frame(Kind.RENAME, 7, 40, 3, b"read\0ng1", codec.salt_of(2, 9)),
    "BAD": codec.encode_frame(Kind.BAD, 7, 40, 3, b"", codec.salt_of(2, 9)),
    "SKIP": codec.encode_frame(Kind.SKIP, 7, 40, 3, b"read", codec.salt_of(2, 9)),
    "within a statement": codec.encode_frame(Kind.DATA ^ INNER, 7, 40, 3, b"reading", codec.salt_of(2, 9)),
    "END": codec.encode_end(2, 1 << 40),
    "seal": codec.encode_seal([], Seal(0, 900, 40, 9), codec.salt_of(2, 9)),
    "run entries and seal": codec.encode_seal(
        [Run(Kind.DATA, 118, number, 40, 7, 300).encode(0) for number in (1, 7)],
        Seal(2, 900, 40, 9), codec.salt_of(2, 9),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", STRUCTURES)
def test_no_flipped_bit_of_a_structure_goes_unseen(name: str) -> None:
    """STATEMENTs are in test_statement.py."""
    sound = STRUCTURES[name]
    assert any_structure_in(sound, 2, 9)
    for bit in range(8 * len(sound)):
        raw = bytearray(sound)
        raw[bit // 8] ^= 1 << bit % 8
        assert not any_structure_in(bytes(raw), 2, 9), bit


@pytest.mark.parametrize("fill", [0x00, 0xFF])
@given(st.integers(24, 600), U16, BASE)
@quick
def test_blank_and_zeroed_flash_holds_nothing(fill: int, length: int, block: int, base: int) -> None:
    assert not any_structure_in(bytes([fill]) * length, block, base)
    assert fill not in codec.KINDS
    assert fill ^ INNER not in codec.KINDS


@given(st.data())
@quick
def test_a_structure_with_any_part_erased_or_zeroed_does_not_count(data: st.DataObject) -> None:
    raw = data.draw(st.sampled_from(sorted(STRUCTURES.values())))
    begin = data.draw(st.integers(0, len(raw) - 1))
    end = data.draw(st.integers(begin + 1, len(raw)))
    for fill in (b"\0", b"\xff"):
        damaged = raw[:begin] + fill * (end - begin) + raw[end:]
        if damaged != raw:
            assert not any_structure_in(damaged, 2, 9)


@given(st.sampled_from(sorted(STRUCTURES)), U16, BASE)
@quick
def test_what_is_of_an_earlier_life_or_of_another_block_does_not_count(name: str, block: int, base: int) -> None:
    """The salt is another one; only 2^-32 of the salts that differ agree in a whole structure. END tells its own
    number, and needs the block alone; a seal tells its base."""
    raw = STRUCTURES[name]
    if block != 2:
        assert not any_structure_in(raw, block, 9)
    if base != 9 and "END" not in name and "seal" not in name:
        assert not any_structure_in(raw, 2, base)


def test_another_version_has_other_salts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(codec, "_SEED", codec.MAGIC << 8 | codec.VERSION + 1)
    frame = codec.encode_frame(Kind.DATA, 7, 40, 3, b"reading", codec.salt_of(2, 9))
    end = codec.encode_end(2, 5)
    monkeypatch.undo()
    assert not any_structure_in(frame, 2, 9)
    assert not any_structure_in(end, 2, 9)


def test_the_hot_path_does_not_load_the_declaration() -> None:
    names = "('construct', 'simfs.store.format.declaration', 'simfs.store.format.declared_statement')"
    code = f"import sys, simfs; print([name for name in {names} if name in sys.modules])"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"


def test_structs_have_no_padding() -> None:
    for fast in (codec.HEAD, codec.HEADER, codec.ENTRY, codec.SEAL, codec.SEALED, codec.END, codec.BASE):
        assert isinstance(fast, Struct)
        assert fast.format.startswith("<")
