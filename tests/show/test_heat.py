"""The map of the erase counts."""

from simfs.show.heat import ROW_SIGNS, ROWS_MAX, heat_map


def test_small_counts_are_shown_as_they_are() -> None:
    legend, row = heat_map([0, 1, 9, 3])
    assert row == "  0  .193"
    assert "one character per block, its erases" in legend


def test_large_counts_are_ninths_of_the_highest() -> None:
    # 900 is the highest, so a ninth is 100: 1 and 100 are in the first, 101 in the second.
    legend, row = heat_map([0, 1, 100, 101, 800, 801, 900])
    assert row == "  0  .112899"
    assert "ninths of 900" in legend


def test_many_blocks_share_a_sign_and_the_hottest_shows() -> None:
    # 1024 blocks on 512 signs: 2 each, 128 in a row.
    counts = [0] * 1024
    counts[129] = 5
    legend, *rows = heat_map(counts)
    assert len(rows) == ROWS_MAX
    assert "one character per 2 blocks, the hottest" in legend
    assert rows[0] == "     0  " + "." * ROW_SIGNS
    assert rows[1] == "   128  5" + "." * (ROW_SIGNS - 1)


def test_no_erase_is_no_map() -> None:
    assert heat_map([0] * 5000) == ["Erases by address: none so far"]


def test_never_more_than_nine_lines_of_plain_characters() -> None:
    for count in (2, 63, 64, 65, 511, 512, 513, 4096, 5000):
        lines = heat_map(list(range(count)))
        assert len(lines) <= 1 + ROWS_MAX
        assert all(len(line) <= 100 and line.isascii() for line in lines)
        group = -(-count // (ROW_SIGNS * ROWS_MAX))
        assert sum(len(line.split()[-1]) for line in lines[1:]) == -(-count // group)
