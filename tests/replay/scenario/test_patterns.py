"""Names and contents with fields, and readings that are the same on every Python."""

import math
from itertools import pairwise

import pytest

from simfs.flash import Rng
from simfs.replay.device.clock import moment
from simfs.replay.player.sensor_values import FRACTION_BITS, point_set, reader, sine
from simfs.replay.scenario.patterns import CLOCK_FIELDS, COUNT_FIELDS, Moment, filled, name_writer, parse_pattern
from simfs.replay.scenario.tables import Value


def at(*when, counter=0, boot=0):
    now = Moment()
    now.now_ns, now.counter, now.boot = moment(*when), counter, boot
    return now


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
        assert pattern.expression().fullmatch(filled(pattern, now)).groups() == (one, f"{now.date()[1]:02}", one)


def test_a_pattern_knows_how_hard_it_is_to_recognise():
    assert parse_pattern("/{year}{month}/{date}-{counter}.{boot}{day}").open_ends == 2
    assert parse_pattern("{counter}").open_ends == parse_pattern("{counter}a{counter}").open_ends == 0
    assert parse_pattern("{counter}1{boot}").open_ends == 1


def test_the_sine_is_the_hosts_to_eight_digits():
    whole = 7919
    worst = max(
        abs(sine(part, whole) / 2**FRACTION_BITS - math.sin(2 * math.pi * part / whole)) for part in range(-9, 16_000)
    )
    assert worst < 2e-8


@pytest.mark.parametrize(
    ("units", "decimals", "text"),
    [(5, 2, "0.05"), (-5, 2, "-0.05"), (-1234, 3, "-1.234"), (12, 0, "12"), (0, 1, "0.0")],
)
def test_readings_are_written_with_all_their_digits(units, decimals, text):
    assert point_set(units, decimals) == text


def value(**table):
    return Value.model_validate(table)


def test_a_tide_swings_around_its_mean_by_its_amplitude():
    day_ns = 86_400 * 10**9
    now_ns = 0
    tide = value(mean=2.5, decimals=2, waves=[{"amplitude": 1.5, "period": "24 h"}])
    read = reader(tide, Rng(1), lambda: now_ns)
    shown = []
    for eighth in range(8):
        now_ns = day_ns * eighth // 8
        shown.append(read())
    # 2.5 + 1.5 sin(45 degrees) = 3.5607
    assert shown == ["2.50", "3.56", "4.00", "3.56", "2.50", "1.44", "1.00", "1.44"]


def test_a_walk_keeps_its_steps_and_its_bounds():
    read = reader(value(mean=20.0, decimals=1, walk={"step": 0.5, "least": -1.0, "most": 2.0}), Rng(3), lambda: 0)
    readings = [float(read()) for _ in range(500)]
    assert min(readings) == 19.0
    assert max(readings) == 22.0
    assert max(abs(b - a) for a, b in pairwise(readings)) <= 0.5 + 1e-9
    assert len(set(readings)) > 20


def test_noise_is_clamped_and_comes_from_the_seed():
    noisy = value(mean=1.0, decimals=3, noise=1.0, least=0.5, most=1.2)
    first, again, other = ([reader(noisy, Rng(seed), lambda: 0)() for _ in range(1)] for seed in (1, 1, 2))
    assert first == again != other
    read = reader(noisy, Rng(1), lambda: 0)
    readings = [read() for _ in range(200)]
    assert (min(readings), max(readings)) == ("0.500", "1.200")
