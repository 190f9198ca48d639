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
from simfs.store.format import codec
from simfs.store.format import declaration as format
from simfs.store.format.codec import Frame, Kind, OpenRecord, Seal
from simfs.store.format.dump import dump_block
from simfs.store.format.runs import Run, decode_runs

U8, U16, U24, U32, U64 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 24, 32, 64))
NAME = st.binary(min_size=1, max_size=60).map(lambda name: name.replace(b"\0", b"/"))
KINDS = st.sampled_from(sorted(Kind))
OPEN_RECORDS = st.builds(OpenRecord, U64, U32, U32, *[U8] * 6, U16, U32, U32, U32, *[U16] * 8)
RUNS = st.lists(st.builds(Run, KINDS, U24, U16, U16, U32, U32), max_size=8)
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
        Kind.MARK: {},
    }
    return st.fixed_dictionaries(fields[kind])


def payload_bytes(fields: dict[str, object]) -> bytes:
    """The same by hand, for the codec."""
    if "old_name" in fields:
        return b"%b\0%b" % (fields["name"], fields["old_name"])
    zeros_from = fields.get("zeros_from")
    assert zeros_from is None or isinstance(zeros_from, int)
    return (b"" if zeros_from is None else zeros_from.to_bytes(4, "little")) + b"".join(
        value for value in fields.values() if isinstance(value, bytes)
    )


def fields_of(container: construct.Container) -> dict[str, object]:
    return {name: value for name, value in container.items() if not name.startswith("_")}


# -- both ways


@given(U32)
@quick
def test_erase_record(erase_count: int) -> None:
    raw = codec.encode_erase_record(erase_count)
    assert format.ERASE_RECORD.parse(raw).body.value.erase_count == erase_count
    assert format.ERASE_RECORD.build({"body": {"value": {"erase_count": erase_count}}}) == raw
    assert codec.decode_erase_count(raw) == erase_count


def test_an_erase_record_of_another_version_gives_its_version_and_nothing_else() -> None:
    raw = codec.encode_erase_record(7)
    assert codec.erase_record_version(raw) == codec.VERSION
    other = codec.ERASE_RECORD.pack(codec.MAGIC, codec.VERSION + 1, 0, 7, 0)
    other += crc32(other).to_bytes(4, "little")
    assert codec.erase_record_version(other) == codec.VERSION + 1
    assert codec.decode_erase_count(other) is None
    assert codec.erase_record_version(other[:-1] + bytes([other[-1] ^ 1])) is None


@given(OPEN_RECORDS)
@quick
def test_open_record_and_its_copy(record: OpenRecord) -> None:
    raw, salt = codec.encode_open_record(record)
    block = bytes(format.OPEN_AT) + raw
    opened = format.parse_open_record(block)
    assert opened is not None
    assert (fields_of(opened[0]), opened[1]) == (record._asdict(), salt)
    copied = {"base": record.base, "erase_count": record.erase_count, "head": record.head}
    copied |= {"tries": record.tries, "zero": 0, "salt": salt}
    assert fields_of(format.parse_open_copy(block) or {}) == copied
    assert format.OPEN_RECORD.build({"body": {"value": record._asdict()}}) == raw[:56]
    assert format.OPEN_COPY.build({"body": {"value": copied}}) == raw[56:]
    assert codec.decode_open_record(raw) == (record, salt)
    assert codec.decode_open_copy(raw[56:]) == (record.base, record.erase_count, record.head, record.tries, salt)


@pytest.mark.parametrize("kind", Kind)
@given(st.data())
@quick
def test_frame(kind: Kind, data: st.DataObject) -> None:
    fields = data.draw(payload_fields(kind))
    file, offset, order, salt, again = (data.draw(one) for one in (U32, U32, U16, U32, U8))
    payload = payload_bytes(fields)
    raw = codec.encode_frame(kind, file, offset, order, payload, salt, again)
    head = {
        "kind": kind.name, "again": again, "length": len(payload), "file": file, "offset": offset, "order": order
    }  # fmt: skip
    parsed = format.FRAME.parse(raw, salt=salt)
    assert fields_of(parsed.head.value) == head
    assert fields_of(parsed.payload.value) == fields
    assert format.FRAME.build({"head": {"value": head}, "payload": {"value": fields}}, salt=salt) == raw
    assert codec.decode_header(raw[:16], 640, salt) == Frame(kind, again, len(payload), file, offset, order, 640)
    assert codec.payload_is_sound(raw, len(payload), salt)


@given(RUNS, U32, U16, U32)
@quick
def test_run_entries_and_seal(runs: list[Run], end: int, next_order: int, salt: int) -> None:
    seal = {"entry_count": len(runs), "end": end, "next_order": next_order, "zero": 0}
    raw = codec.encode_seal([run.encode(0) for run in runs], Seal(**seal), salt)
    parsed = format.parse_tail(b"\xff" * 100 + raw, salt)
    assert parsed is not None
    slots = Run.__slots__
    declared = [{slot: getattr(run, slot) for slot in slots} | {"kind": Kind(run.kind).name} for run in runs]
    assert [fields_of(entry) for entry in parsed.entries] == declared
    assert fields_of(parsed.seal) == seal | {"magic": codec.MAGIC}
    body = {"body": {"value": {"entries": declared, "seal": seal}}}
    assert format.BLOCK_TAIL.build(body, salt=salt, listed=len(runs)) == raw
    assert codec.decode_seal(raw[-16:]) == Seal(**seal)
    assert codec.seal_is_sound(raw, salt)
    decoded = decode_runs(raw[: 16 * len(runs)], 0)
    assert [run.encode(0) for run in decoded] == [run.encode(0) for run in runs]


@given(st.lists(st.sampled_from([0, 1, 0x80, 0xFF]), min_size=16, max_size=16).map(bytes))
@quick
def test_discard_mark(raw: bytes) -> None:
    assert codec.is_discarded(raw) == format.is_discarded(bytes(112) + raw + bytes(50)) == (raw.count(0) >= 8)


def test_a_discard_mark_stands_when_half_of_it_was_programmed() -> None:
    mark, blank = codec.DISCARDED, b"\xff"
    for at in range(17):
        assert codec.is_discarded(mark[:at] + blank * (16 - at)) == (at >= 8)
    assert not codec.is_discarded(blank * 16)


def test_sizes() -> None:
    assert format.ERASE_RECORD.sizeof() == codec.ERASE_RECORD_BYTES == codec.ERASE_RECORD.size + 4 == 16
    assert format.OPEN_RECORD.sizeof() == codec.OPEN_RECORD_BYTES == codec.OPEN_RECORD.size + 4 == 56
    assert format.OPEN_COPY.sizeof() == codec.OPEN_COPY_BYTES == codec.OPEN_COPY.size + 4 == 24
    assert format.FENCE_AT == codec.ERASE_RECORD_BYTES
    assert format.OPEN_AT == format.FENCE_AT + codec.FENCE_BYTES == 32
    assert format.COPY_AT == format.OPEN_AT + codec.OPEN_RECORD_BYTES == 88
    assert format.DISCARD_AT == codec.DISCARD_AT == format.COPY_AT + codec.OPEN_COPY_BYTES
    assert format.BLOCK_HEADER_BYTES == codec.RECORD_BYTES == codec.DISCARD_AT + codec.DISCARD_BYTES == 128
    assert len(codec.encode_frame(Kind.MARK, 0, 0, 0, b"", 0)) == codec.FRAME_BYTES == 20
    assert codec.HEADER_BYTES == codec.HEADER.size == codec.HEAD.size + 2 == 16
    assert format.RUN_ENTRY.sizeof() == codec.ENTRY_BYTES == codec.ENTRY.size == 16
    assert format.SEAL.sizeof() + 4 == codec.SEAL_BYTES == codec.SEAL.size + 4 == 16
    assert format.ENTRY_BYTES == codec.DISCARD_BYTES == len(codec.DISCARDED) == codec.FENCE_BYTES == 16


def test_the_declared_numbers_are_those_of_the_codec() -> None:
    assert {name: int(number) for name, number in format.KIND.encmapping.items()} == {kind.name: kind for kind in Kind}
    assert format.UNLISTED == codec.UNLISTED
    record = codec.encode_erase_record(0)
    assert record[:3] == codec.MAGIC.to_bytes(2, "little") + bytes([codec.VERSION])
    assert format.NO_BLOCK == codec.NO_BLOCK
    assert format.UNKNOWN == codec.UNKNOWN
    assert format.FENCE == codec.FENCE == codec.DISCARDED


# -- the worked example


def example() -> dict[str, bytes]:
    """The bytes in the docstring of the declaration, by what they are."""
    assert format.__doc__ is not None
    found: dict[str, bytes] = {}
    label = ""
    for words, hexes in re.findall(r"^    ([a-z ]*?) +((?:[0-9a-f]{2} ?)+)$", format.__doc__, re.MULTILINE):
        label = words.strip() or label
        found[label] = found.get(label, b"") + bytes.fromhex(hexes)
    return found


def test_the_worked_example_is_what_a_store_writes() -> None:
    flash = NorFlash(block_count=64, block_bytes=4096, page_bytes=256)
    Store.format(flash, StoreConfig())
    shown = example()
    header = [shown[part] for part in ("erase record", "fence", "open record", "short copy")]
    assert b"".join(header) == flash.image()[: format.DISCARD_AT]
    salt = int.from_bytes(shown["open record"][-4:], "little")
    assert shown["frame"] == codec.encode_frame(Kind.DATA, 5, 12, 9, b"20.1 m", salt)


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
    record = codec.encode_erase_record(len(data))
    assert int.from_bytes(record[12:], "little") == crc(*parameters, record[:12])


def test_the_trap_of_erased_flash() -> None:
    """Four FFh bytes followed by their own CRC-32 are eight FFh bytes (from the definition of CRC-32/ISO-HDLC)."""
    assert crc32(b"\xff" * 4) == 0xFFFFFFFF


# -- what never validates


def any_structure_in(raw: bytes, salt: int) -> bool:
    """Whether either reader takes the bytes for a sound structure."""
    frame = codec.decode_header(raw[:16], 0, salt)
    raw = raw + bytes(max(codec.RECORD_BYTES - len(raw), 0))
    return bool(
        (frame is not None and codec.payload_is_sound(raw, frame.length, salt))
        or codec.decode_erase_count(raw[:16]) is not None
        or codec.decode_seal(raw[-16:]) is not None
        or format.parse_frame(raw, salt) is not None
        or codec.decode_open_record(raw[format.OPEN_AT :]) is not None
        or codec.decode_open_copy(raw[format.COPY_AT :]) is not None
        or format.parse_erase_record(raw) is not None
        or format.parse_open_record(raw) is not None
        or format.parse_open_copy(raw) is not None
        or format.parse_tail(raw, salt) is not None
    )


@pytest.mark.parametrize("fill", [0x00, 0xFF])
@given(st.integers(128, 600), U32)
@quick
def test_blank_and_zeroed_flash_holds_nothing(fill: int, length: int, salt: int) -> None:
    assert not any_structure_in(bytes([fill]) * length, salt)
    assert fill not in codec.KINDS


@given(st.data())
@quick
def test_a_frame_with_any_part_erased_or_zeroed_does_not_count(data: st.DataObject) -> None:
    payload = data.draw(st.binary(min_size=1, max_size=60))
    salt = data.draw(U32)
    raw = codec.encode_frame(Kind.DATA, 7, 40, 3, payload, salt)
    begin = data.draw(st.integers(0, len(raw) - 1))
    end = data.draw(st.integers(begin + 1, len(raw)))
    for fill in (b"\0", b"\xff"):
        damaged = raw[:begin] + fill * (end - begin) + raw[end:]
        if damaged != raw:
            assert not any_structure_in(damaged, salt)


@given(OPEN_RECORDS, st.integers(1, 1000))
@quick
def test_a_frame_of_an_earlier_life_of_the_block_does_not_count(record: OpenRecord, later: int) -> None:
    """One erase later, or opened once more with another base, the salt is another one; only 2^-16 of the salts that
    differ agree in a header's `check`, and 2^-32 in a whole frame."""
    old_salt = codec.encode_open_record(record)[1]
    raw = codec.encode_frame(Kind.NAME, 7, 0, 3, b"/name", old_salt)
    erased = record._replace(erase_count=(record.erase_count + later) % 2**32)
    opened = record._replace(base=(record.base + later) % 2**64)
    for salt in (codec.encode_open_record(erased)[1], codec.encode_open_record(opened)[1]):
        assert salt != old_salt
        assert format.parse_frame(raw, salt) is None
        header = codec.decode_header(raw[:16], 0, salt)
        assert header is None or not codec.payload_is_sound(raw, header.length, salt)


@pytest.mark.parametrize("bit", range(27 * 8))
def test_no_flipped_bit_of_a_frame_goes_unseen(bit: int) -> None:
    raw = bytearray(codec.encode_frame(Kind.DATA, 7, 40, 3, b"reading", 0x1234))
    assert any_structure_in(bytes(raw), 0x1234)
    raw[bit // 8] ^= 1 << bit % 8
    header = codec.decode_header(bytes(raw[:16]), 0, 0x1234)
    assert header is None or not codec.payload_is_sound(bytes(raw), header.length, 0x1234)
    assert format.parse_frame(bytes(raw), 0x1234) is None


# -- the dump


def test_a_dump_shows_what_stands_in_a_block() -> None:
    flash = NorFlash(block_count=4, block_bytes=4096, page_bytes=256)
    store = Store.format(flash, StoreConfig())
    with store.open("/log", "w") as file:
        file.write(b"14:20 7.31 m\n")
    lines = dump_block(flash.image()[:4096])
    assert lines[:5] == [
        "0000 erase record: count 0",
        "0010 fence",
        "0020 open record: base 0, head 0, count 0",
        "0058 short copy: base 0, head 0, count 0",
        "0070 16 bytes blank",
    ]
    assert any(re.fullmatch(r"[0-9a-f]{4} NAME file 1 offset 0 order \d+: 4 bytes b'/log'", line) for line in lines)
    assert any(re.search(r"DATA file 1 offset 0 order \d+: 13 bytes b'14:20 7.31 m'", line) for line in lines)
    assert lines[-1].endswith("bytes blank")
    ready = flash.image()[4096:8192]
    assert dump_block(ready)[:2] == ["0000 erase record: count 0", "0010 16 bytes blank"]
    assert dump_block(b"\xff" * 4096) == ["0000 blank"]


def test_a_dump_shows_a_seal_and_damage() -> None:
    flash = NorFlash(block_count=4, block_bytes=4096, page_bytes=256)
    store = Store.format(flash, StoreConfig())
    with store.open("/log", "w") as file:
        file.write(bytes(4000))
    raw = flash.image()[:4096]
    lines = dump_block(raw)
    assert re.fullmatch(r"0ff0 seal: \d+ entries, end [0-9a-f]{4}", lines[-1])
    assert sum("run entry" in line for line in lines) == int(lines[-1].split()[2])
    damaged = raw[:2000] + b"?" + raw[2001:]
    assert sum("not sound" in line for line in dump_block(damaged)) == 1
    discarded = raw[: format.DISCARD_AT] + codec.DISCARDED + raw[format.BLOCK_HEADER_BYTES :]
    assert dump_block(discarded) == [*lines[:4], "0070 discard mark", *lines[5:]]


@pytest.mark.parametrize(("at", "which"), [(0, 0), (20, 1), (50, 2), (90, 3), (115, 4)])
def test_a_dump_shows_which_part_of_a_header_is_damaged(at: int, which: int) -> None:
    """The frames are shown as long as the open record or its copy tells their salt."""
    flash = NorFlash(block_count=4, block_bytes=4096, page_bytes=256)
    store = Store.format(flash, StoreConfig())
    with store.open("/log", "w") as file:
        file.write(bytes(4000))
    raw = flash.image()[:4096]
    lines = dump_block(raw)
    hurt = dump_block(raw[:at] + b"?" + raw[at + 1 :])
    assert [number for number, line in enumerate(hurt) if "not sound" in line] == [which]
    assert hurt[:which] + hurt[which + 1 :] == lines[:which] + lines[which + 1 :]
    none = dump_block(raw[:32] + bytes(80) + raw[112:])
    assert sum("DATA" in line for line in none) == 0


def test_the_hot_path_does_not_load_the_declaration() -> None:
    names = "('construct', 'simfs.store.format.declaration')"
    code = f"import sys, simfs; print([name for name in {names} if name in sys.modules])"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"


def test_structs_have_no_padding() -> None:
    records = (codec.ERASE_RECORD, codec.OPEN_RECORD, codec.OPEN_COPY)
    for fast in (*records, codec.HEAD, codec.HEADER, codec.ENTRY, codec.SEAL):
        assert isinstance(fast, Struct)
        assert fast.format.startswith("<")
