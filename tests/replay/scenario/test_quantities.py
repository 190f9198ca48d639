"""Durations and sizes: what is read exactly, and what is refused with what would be right."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_MS, NS_PER_S
from simfs.replay.scenario.quantities import (
    format_duration,
    format_size,
    parse_charge,
    parse_current,
    parse_duration,
    parse_size,
    parse_voltage,
)

SEEDED = settings(derandomize=True, database=None, deadline=None)
BRIEF = settings(SEEDED, max_examples=50)


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
        ("2weeks 1day", 15 * NS_PER_DAY),
        ("1 hour 30 minutes", 5400 * NS_PER_S),
        ("2 hours 5 m", 7500 * NS_PER_S),
        ("1 minute 1 second", 61 * NS_PER_S),
        ("90 seconds", 90 * NS_PER_S),
        ("4 years", 1461 * NS_PER_DAY),
    ],
)
def test_durations(text, ns):
    assert parse_duration(text) == ns


@pytest.mark.parametrize(
    ("text", "size_bytes"),
    [
        ("40 B", 40),
        ("3 MiB", 3 << 20),
        ("1.5 KiB", 1536),
        ("0 B", 0),
        ("1 KiB 3 B", 1027),
        ("0x300000", 3 << 20),
        (" 0Xff ", 255),
    ],
)
def test_sizes(text, size_bytes):
    assert parse_size(text) == size_bytes


@pytest.mark.parametrize(
    ("text", "right"),
    [
        (6, "10 min"),
        ("10", "units are ns, us, ms, s or seconds, min or minutes"),
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
        ("9" * 30 + " s", "too many digits; write at most 18"),
        (True, "10 min"),
        (None, "10 min"),
        ("3 MiB", "there is no unit MiB for a duration"),
        ("5 minuts", "did you mean minutes"),
        ("5 sec", "units are"),
        ("1 h 2 hours", "largest first"),
        ("0x10", "there is no unit x"),
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
        ("3 mib", "did you mean MiB"),
        ("0x", "there is no unit x"),
        ("0x10 KiB", "there is no unit x"),
        ("0x" + "f" * 17, "there is no unit x"),
        ("-0x10", 'write for example "3 MiB" or "0x300000"'),
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


@BRIEF
@given(st.integers(0, (1 << 64) - 1), st.sampled_from(["{:#x}", "{:#X}", "0x{:016x}"]))
def test_an_address_in_hexadecimal_is_read_exactly(address, form):
    assert parse_size(form.format(address)) == address


UNIT_NAMES = {  # the same unit under each of its names, the largest first
    "year years": 31_557_600 * NS_PER_S,
    "week weeks": 7 * NS_PER_DAY,
    "d day days": NS_PER_DAY,
    "h hour hours": 3600 * NS_PER_S,
    "min minute minutes": 60 * NS_PER_S,
    "s second seconds": NS_PER_S,
    "ms": NS_PER_MS,
    "us µs μs": 1000,
    "ns": 1,
}
TERMS = st.tuples(*(st.tuples(st.integers(0, 10**6), st.sampled_from(names.split())) for names in UNIT_NAMES))


@BRIEF
@given(TERMS, st.sets(st.integers(0, len(UNIT_NAMES) - 1), min_size=1), st.sampled_from(["{} {} ", "{}{}", "{}  {}"]))
def test_a_duration_is_the_sum_of_its_terms_under_any_name_of_a_unit(terms, taken, form):
    text = "".join(form.format(*terms[at]) for at in sorted(taken))
    assert parse_duration(text) == sum(terms[at][0] * list(UNIT_NAMES.values())[at] for at in taken)


@BRIEF
@given(TERMS, st.permutations(range(len(UNIT_NAMES))), st.integers(2, len(UNIT_NAMES)))
def test_a_duration_with_its_units_out_of_order_is_refused(terms, order, count):
    taken = order[:count]
    text = " ".join("{} {}".format(*terms[at]) for at in taken)
    if taken == sorted(taken):
        parse_duration(text)
    else:
        with pytest.raises(ValueError, match="largest first"):
            parse_duration(text)


@BRIEF
@given(st.integers(0, 10**12), st.integers(1, 9), st.sampled_from(["B", "KiB", "MiB", "GiB"]))
def test_a_size_with_a_fraction_is_exact_or_refused(number, digits, unit):
    text, whole = f"{number / 10**digits:.{digits}f} {unit}", {"B": 0, "KiB": 10, "MiB": 20, "GiB": 30}[unit]
    size_bytes, rest = divmod(int(text.partition(" ")[0].replace(".", "")) << whole, 10**digits)
    if rest:
        with pytest.raises(ValueError, match="not a whole number of bytes"):
            parse_size(text)
    else:
        assert parse_size(text) == size_bytes


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


@pytest.mark.parametrize(
    ("parse", "text", "found"),
    [
        (parse_charge, "2400 mAh", 2_400_000),
        (parse_charge, "2.4 Ah", 2_400_000),
        (parse_charge, "1 Ah 500 mAh", 1_500_000),
        (parse_charge, "7 \u00b5Ah", 7),
        (parse_current, "3.5 uA", 3_500),
        (parse_current, "3.5 \u03bcA", 3_500),
        (parse_current, "4 mA", 4_000_000),
        (parse_current, "900nA", 900),
        (parse_voltage, "3.6 V", 3_600),
        (parse_voltage, "950 mV", 950),
    ],
)
def test_charges_currents_and_voltages(parse, text, found):
    assert parse(text) == found


@pytest.mark.parametrize(
    ("parse", "text", "right"),
    [
        (parse_charge, "2400", "units are uAh, mAh, Ah"),
        (parse_charge, "5 mah", "did you mean mAh"),
        (parse_current, 3, 'write a current as text with its unit, for example "3.5 uA"'),
        (parse_current, "0.1 nA", "not a whole number of nA"),
        (parse_voltage, "3.6", "units are mV, V"),
        (parse_voltage, "-1 V", 'write for example "3.6 V"'),
    ],
)
def test_other_quantities_that_are_refused(parse, text, right):
    with pytest.raises(ValueError, match=re.escape(right)):
        parse(text)
