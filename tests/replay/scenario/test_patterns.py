"""Names and texts with fields of the clock and counters."""

import pytest

from simfs.replay.device.clock import NS_PER_DAY, date_of, moment
from simfs.replay.scenario.patterns import CLOCK_FIELDS, COUNT_FIELDS, Moment, filled, name_writer, parse_pattern


def at(*when, counter=0, boot=0):
    return Moment(moment(*when), counter, boot)


@pytest.mark.parametrize(
    ("pattern", "text"),
    [
        ("/tide/{date}.csv", "/tide/2031-04-05.csv"),
        ("{year}{month}{day}T{hour}{minute}{second}", "20310405T060708"),
        ("{time}", "06:07:08"),
        ("/e{counter:5}.log", "/e00042.log"),
        ("{boot}-{counter}", "7-42"),
        ("{{{year}}}", "{2031}"),
        ("plain", "plain"),
        ("", ""),
    ],
)
def test_fields_are_filled_in(pattern, text):
    now = at(2031, 4, 5, 6, 7, 8, counter=42, boot=7)
    assert filled(parse_pattern(pattern), now) == text
    assert name_writer(parse_pattern(pattern), now)() == text


def test_years_past_9999_have_all_their_digits():
    assert filled(parse_pattern("{date} {year}"), at(12031, 4, 5)) == "12031-04-05 12031"


def test_a_name_follows_the_clock_and_the_counters():
    now = at(2031, 4, 5, 23, 59, 59)
    write, yesterday = (name_writer(parse_pattern("{date}-{counter}"), now, back) for back in (0, 86_400 * 10**9))
    assert (write(), yesterday()) == ("2031-04-05-0", "2031-04-04-0")
    now.now_ns += 10**9
    assert (write(), yesterday()) == ("2031-04-06-0", "2031-04-05-0")
    now.counter = 1
    assert (write(), yesterday()) == ("2031-04-06-1", "2031-04-05-1")


@pytest.mark.parametrize("text", ["{", "}", "{}", "{a.b}", "{a!r}", "{a[0]}", "{0}", "{a:x}", "{a:99}", "{a:0}", "{{}"])
def test_what_a_format_string_could_do_is_refused(text):
    with pytest.raises(ValueError, match=r"brace|wide"):
        parse_pattern(text)


def test_a_pattern_recognises_the_names_that_it_gives():
    pattern = parse_pattern("/log.{date}_{counter:3}.csv")
    name = filled(pattern, at(12031, 4, 5, counter=1234))
    assert pattern.expression().fullmatch(name).groups() == ("12031-04-05", "1234")
    assert pattern.expression().fullmatch(name.replace(".", "x", 1)) is None


@pytest.mark.parametrize("width", ["", ":1", ":3", ":12", ":18"])
@pytest.mark.parametrize("field", [*CLOCK_FIELDS, *COUNT_FIELDS])
def test_every_field_is_recognised_whatever_its_width(field, width):
    pattern = parse_pattern(f"{{{field}{width}}}{{month}}x{{{field}{width}}}")
    for now in (at(2031, 4, 5, 6, 7, 8), at(123456, 12, 31, 23, 59, 59, counter=10**6, boot=99)):
        one = filled(parse_pattern(f"{{{field}{width}}}"), now)
        assert pattern.expression().fullmatch(filled(pattern, now)).groups() == (
            one,
            f"{date_of(now.now_ns // NS_PER_DAY)[1]:02}",
            one,
        )


def test_a_pattern_knows_how_hard_it_is_to_recognise():
    assert parse_pattern("/{year}{month}/{date}-{counter}.{boot}{day}").open_ends == 2
    assert parse_pattern("{counter}").open_ends == parse_pattern("{counter}a{counter}").open_ends == 0
    assert parse_pattern("{counter}1{boot}").open_ends == 1
