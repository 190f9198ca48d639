"""The device's clock, against Python's own calendar up to its end, and beyond it."""

import datetime

import pytest

from simfs.replay.device.clock import (
    NS_PER_DAY,
    NS_PER_S,
    calendar,
    date_of,
    days_before,
    format_moment,
    moment,
    parse_moment,
    parse_time_of_day,
)


def test_agrees_with_the_host_calendar_over_its_whole_range():
    last = datetime.date.max.toordinal()
    for ordinal in [*range(1, last, 61), *range(last - 800, last + 1)]:
        date = datetime.date.fromordinal(ordinal)
        assert date_of(ordinal - 1) == (date.year, date.month, date.day)
        assert days_before(date.year, date.month, date.day) == ordinal - 1


def test_goes_on_past_the_year_9999():
    after = moment(9999, 12, 31, 23, 59, 59) + NS_PER_S
    assert calendar(after)[:6] == (10000, 1, 1, 0, 0, 0)
    assert format_moment(after) == "10000-01-01 00:00:00"
    assert parse_moment("12032-02-29") == moment(12032, 2, 29)
    # 400 Gregorian years have 146,097 days, so the calendar of 12031 is that of 2031
    assert moment(12031, 4, 5) - moment(2031, 4, 5) == 25 * 146_097 * NS_PER_DAY


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("2031-04-05", "2031-04-05 00:00:00"),
        ("2031-04-05 03:07", "2031-04-05 03:07:00"),
        ("2031-04-05T03:07:09", "2031-04-05 03:07:09"),
        ("0001-01-01", "0001-01-01 00:00:00"),
    ],
)
def test_moments_are_read_and_written(text, shown):
    assert format_moment(parse_moment(text)) == shown


def test_a_fraction_of_a_second_is_shown_only_where_there_is_one():
    assert format_moment(moment(2031, 4, 5, ns=250_000_000)) == "2031-04-05 00:00:00.25"


@pytest.mark.parametrize(
    "text",
    [
        "2031-02-29",
        "2031-13-01",
        "2031-00-10",
        "0000-01-01",
        "31-04-05",
        "2031-04-05 24:00",
        "2031-4-5",
        "",
        "٢٠٣١-04-05",
    ],
)
def test_what_is_no_moment_is_refused(text):
    with pytest.raises(ValueError, match=r"there is no|is not a date"):
        parse_moment(text)


def test_times_of_day():
    assert parse_time_of_day("03:00") == 3 * 3600 * NS_PER_S
    assert parse_time_of_day("23:59:59") == 86_399 * NS_PER_S
    for wrong in ("3:00", "24:00", "03:60", "03:00:60", "noon"):
        with pytest.raises(ValueError, match=r"there is no time of day|is not a time of day"):
            parse_time_of_day(wrong)
