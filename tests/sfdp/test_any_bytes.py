"""Whatever the bytes are, they are decoded or refused with plain lines: no other error, and no more work than bytes."""

from __future__ import annotations

from hypothesis import example, given, settings
from hypothesis import strategies as st

from simfs.sfdp.contradictions import contradictions, remarks
from simfs.sfdp.decode import Tables, decode, typed
from simfs.sfdp.dump import read_dump
from simfs.sfdp.facts import facts_of
from tests.sfdp.building import area_of

AREAS = [bytes(area_of(part)) for part in ("GD25LB512ME", "S28HS02GT")]
quickly = settings(max_examples=80, deadline=None, derandomize=True)


def used(tables: Tables) -> None:
    """Everything that is asked of tables."""
    assert len(tables.tables) <= 256
    for table in tables.tables:
        assert all(reading.meaning and reading.value < 1 << reading.field.width_bits for reading in table.readings)
    assert all(line.isprintable() and line for line in (*tables.faults, *contradictions(tables), *remarks(tables)))
    facts = facts_of(tables)
    assert all(erase.size_bytes > 1 for erase in facts.erase_types)


@quickly
@given(st.binary(max_size=400) | st.binary(max_size=300).map(lambda rest: b"SFDP\6\1\1\xff" + rest))
@example(b"SFDP\6\1\xff\xff" + b"\0\6\1\1\0\0\0\xff" * 256)
def test_any_bytes(raw: bytes) -> None:
    used(decode(raw))
    dump = read_dump(raw)
    used(typed(dump.tables) if dump.area is None else decode(dump.area))


@quickly
@given(
    whole=st.sampled_from(AREAS),
    changes=st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 255)), min_size=1, max_size=12),
    length=st.integers(0, 700),
)
def test_a_table_with_bytes_changed_or_cut_off(whole: bytes, changes: list[tuple[int, int]], length: int) -> None:
    area = bytearray(whole)
    for at, byte in changes:
        area[at % len(area)] = byte
    used(decode(bytes(area[:length])))
    used(decode(bytes(area)))


@quickly
@given(st.text("0123456789abcdefxhDWtable: =,#|\n", max_size=300))
@example("0: " + "9" * 5000)
@example("DW1: FFFFFFFF\ntable FF81\n" + "\n".join(f"DW{at}: FFFFFFFF" for at in range(1, 256)))
def test_any_text(text: str) -> None:
    dump = read_dump(text.encode())
    assert all(line.isprintable() for line in dump.faults)
    if not dump.faults:
        used(typed(dump.tables) if dump.area is None else decode(dump.area))
