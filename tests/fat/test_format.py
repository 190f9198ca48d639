"""The bytes of a volume, held to worked examples: what the specification gives, and what was worked out by hand from
it."""

from __future__ import annotations

import pytest

from simfs.fat.card.card import Card
from simfs.fat.format.entries import long_entries, short_entry, slots_of
from simfs.fat.format.layout import hints, read_hints, read_layout
from simfs.fat.format.making import new_volume, plan
from simfs.fat.format.names import checksum, long_parts, long_text, short_alias, short_base, short_exactly
from simfs.fat.format.table_entries import packed, unpacked

FOX = (
    "4277006e002e0066006f000f000778000000ffffffffffffffff0000ffffffff"
    "01540068006500200071000f00077500690063006b0020006200000072006f00"
)


def test_the_table_of_three_chains() -> None:
    """Media F8; 2 leads to 4, 4 to 5, and 5, 3 and 6 end their chains."""
    entries = [0xFF8, 0xFFF, 4, 0xFFF, 5, 0xFFF, 0xFFF, 0]
    raw = bytes.fromhex("f8ffff04f0ff05f0ffff0f00")
    assert packed(entries, 12) == raw
    assert unpacked(raw, 12) == entries


@pytest.mark.parametrize(
    ("short", "sum_of_it"), [("THEQUI~1FOX", 0x07), ("FOO     BAR", 0x53), ("README  TXT", 0x73), ("DATALO~1CSV", 0x7D)]
)
def test_the_checksum_of_a_short_name(short: str, sum_of_it: int) -> None:
    assert checksum(short.encode()) == sum_of_it


def test_the_entries_of_a_long_name() -> None:
    short = short_alias("The quick brown.fox", set())
    assert short == b"THEQUI~1FOX"
    assert b"".join(long_entries("The quick brown.fox", short)).hex() == FOX


def test_a_sector_of_entries_is_read_as_it_was_written() -> None:
    short = short_alias("The quick brown.fox", set())
    sector = b"".join([*long_entries("The quick brown.fox", short), short_entry(short, 0x20, 2, 1300)])
    slots, ends = slots_of(sector.ljust(512, b"\0"))
    assert ends
    assert [getattr(slot, "number", None) for slot in slots] == [2, 1, None]
    assert slots[2] == (short, 0x20, 0, 2, 1300)


@pytest.mark.parametrize("name", ["a", "x" * 13, "x" * 14, "x" * 255, "Grüße, 世界 🌍.txt"])
def test_a_long_name_comes_back(name: str) -> None:
    assert long_text(long_parts(name)) == name


@pytest.mark.parametrize(
    ("name", "short"),
    [
        ("LOG.TXT", b"LOG     TXT"),
        ("A", b"A          "),
        ("log.txt", None),
        ("A.TEXT", None),
        ("A.B.C", None),
        ("A.", None),
    ],
)
def test_which_names_need_no_long_one(name: str, short: bytes | None) -> None:
    assert short_exactly(name) == short


@pytest.mark.parametrize(
    ("name", "base"),
    [
        ("2031-04-05.csv", ("2031-04-", "CSV", True)),
        ("log.csv", ("LOG", "CSV", False)),
        ("a+b.txt", ("A_B", "TXT", True)),
        (".profile", ("PROFILE", "", True)),
        ("my file.txt", ("MYFILE", "TXT", True)),
    ],
)
def test_the_base_of_an_alias(name: str, base: tuple[str, str, bool]) -> None:
    assert short_base(name) == base


def test_aliases_count_on_where_others_are_taken() -> None:
    taken: set[bytes] = set()
    for _ in range(12):
        taken.add(short_alias("2031-04-05.csv", taken))
    assert {b"2031-0~1CSV", b"2031-0~9CSV", b"2031-~10CSV", b"2031-~12CSV"} <= taken


@pytest.mark.parametrize(
    ("sectors", "bits", "per_cluster", "clusters"),
    [(2048, 12, 1, 2003), (32_768, 16, 4, 8167), (1_048_575, 16, 16, 65_501), (1_048_576, 32, 8, 130_812)],
)
def test_the_type_and_clusters_of_a_size(sectors: int, bits: int, per_cluster: int, clusters: int) -> None:
    layout = plan(sectors)
    assert (layout.bits, layout.sectors_per_cluster, layout.cluster_count) == (bits, per_cluster, clusters)


def test_a_table_is_large_enough_where_the_formula_of_the_specification_is_not() -> None:
    assert plan(8769, 1024).table_sectors == 18  # that formula gives 17: 4,351 clusters need 8,706 bytes of 8,704


@pytest.mark.parametrize(("sectors", "cluster_bytes"), [(20, None), (8192, 700), (8192, 128 << 10)])
def test_what_no_volume_can_be_is_refused(sectors: int, cluster_bytes: int | None) -> None:
    with pytest.raises(ValueError, match=r"cluster|sectors"):
        plan(sectors, cluster_bytes)


@pytest.mark.parametrize("kib", [64, 1024, 4200, 8192, 65_536, 1 << 20])
def test_a_new_volume_is_read_as_it_was_planned(kib: int) -> None:
    card, layout = Card(2 * kib), plan(2 * kib)
    for sector, data in new_volume(layout):
        card.write(sector, data)
    assert read_layout(card.look, card.sector_count) == layout


def test_a_volume_in_a_partition_is_found() -> None:
    whole, layout = Card(8192 + 100), plan(8192)
    for sector, data in new_volume(layout):
        whole.write(sector + 100, data)
    table = bytearray(512)
    table[446:462] = bytes([0x80, 0, 0, 0, 0x06, 0, 0, 0]) + (100).to_bytes(4, "little") + (8192).to_bytes(4, "little")
    table[510:] = b"\x55\xaa"
    whole.write(0, bytes(table))
    found = read_layout(whole.look, whole.sector_count)
    assert (found.start, found.data_start, found.cluster_count) == (100, layout.data_start + 100, layout.cluster_count)


def test_hints_are_held_to_their_bounds() -> None:
    layout = plan(1 << 20)
    assert read_hints(hints(100, 7), layout) == (100, 7)
    assert read_hints(hints(None, None), layout) == (None, None)
    assert read_hints(hints(layout.cluster_count + 1, layout.last_cluster + 1), layout) == (None, None)
    assert read_hints(bytes(512), layout) == (None, None)
