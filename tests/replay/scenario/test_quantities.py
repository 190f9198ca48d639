"""Durations and sizes: what is read exactly, and what is refused with what would be right."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_MS, NS_PER_S
from simfs.replay.scenario.quantities import format_duration, format_size, parse_duration, parse_size

SEEDED = settings(derandomize=True, database=None, deadline=None)


@pytest.mark.parametrize(
    ("text", "ns"),
    [
        ("10 min", 600 * NS_PER_S),
        ("1h30m", 5400 * NS_PER_S),
        ("1 h 30 min 5 s", 5405 * NS_PER_S),
        ("250 ms", 250 * NS_PER_MS),
        ("0.5 s", 500 * NS_PER_MS),
        ("0 s", 0),
        ("15us", 15_000),
        ("15 µs", 15_000),
        ("7 ns", 7),
        ("2 d", 2 * NS_PER_DAY),
        ("1 week", 7 * NS_PER_DAY),
        ("4 years", 1461 * NS_PER_DAY),
    ],
)
def test_durations(text, ns):
    assert parse_duration(text) == ns


@pytest.mark.parametrize(
    ("text", "size_bytes"), [("40 B", 40), ("3 MiB", 3 << 20), ("1.5 KiB", 1536), ("0 B", 0), ("1 KiB 3 B", 1027)]
)
def test_sizes(text, size_bytes):
    assert parse_size(text) == size_bytes


@pytest.mark.parametrize(
    ("text", "right"),
    [
        (6, "10 min"),
        ("10", "units are ns, us, ms, s, min"),
        ("5m", "write min"),
        ("3 M", "write min"),
        ("1 month", "write days"),
        ("10 y", "write days, or years"),
        ("1h 2h", "largest first"),
        ("5 min 1 h", "largest first"),
        ("30 m 1 h", "write min"),
        ("1h30", "units are"),
        ("0.3 ns", "not a whole number of ns"),
        ("-3 s", 'write for example "10 min"'),
        ("1e3 s", "there is no unit e"),
        ("", 'write for example "10 min"'),
        ("٣ s", 'write for example "10 min"'),
        ("9" * 30 + " s", "write for example|without a unit"),
        (True, "10 min"),
        (None, "10 min"),
        ("3 MiB", "there is no unit MiB for a duration"),
    ],
)
def test_doubtful_durations_are_refused_with_what_would_be_right(text, right):
    with pytest.raises(ValueError, match=right):
        parse_duration(text)


@pytest.mark.parametrize(
    ("text", "right"),
    [
        (3, "3 MiB"),
        ("3 MB", "write MiB"),
        ("1 KB", "write KiB"),
        ("4k", "write KiB"),
        ("8 b", "write B for bytes"),
        ("1.0001 KiB", "not a whole number of bytes"),
        ("3 s", "there is no unit s for a size"),
        ("3", "units are B, KiB, MiB, GiB"),
    ],
)
def test_doubtful_sizes_are_refused_with_what_would_be_right(text, right):
    with pytest.raises(ValueError, match=right):
        parse_size(text)


@SEEDED
@given(st.integers(0, 10**24))
def test_a_duration_that_is_written_is_read_back(ns):
    shown = format_duration(ns)
    assert len(shown.split()[0]) > 18 or parse_duration(shown) == ns


@SEEDED
@given(st.integers(0, 1 << 40))
def test_a_size_that_is_written_is_read_back(size_bytes):
    assert parse_size(format_size(size_bytes)) == size_bytes


@SEEDED
@given(st.text(max_size=12))
def test_any_text_gives_a_number_or_one_clear_error(text):
    for parse in (parse_duration, parse_size):
        error = _error_of(parse, text)
        assert error is None or ";" in error


def _error_of(parse, text):
    try:
        assert parse(text) >= 0
    except ValueError as error:
        return str(error)
    return None
