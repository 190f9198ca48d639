"""Numbers, times, sizes and names as the report prints them."""

import pytest

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_MS, NS_PER_S, NS_PER_YEAR
from simfs.show import units


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0, "0"),
        (0.0123, "0.0123"),
        (0.5, "0.50"),
        (1.234, "1.23"),
        (12.34, "12.3"),
        (123.4, "123"),
        (12345.6, "12,346"),
    ],
)
def test_number(value: float, text: str) -> None:
    assert units.number(value) == text


@pytest.mark.parametrize(
    ("count_bytes", "text"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (4095, "4,095 bytes"),
        (4096, "4 KiB"),
        (5000, "4.88 KiB"),
        (3 << 20, "3 MiB"),
        (1 << 24, "16 MiB"),
    ],
)
def test_size(count_bytes: int, text: str) -> None:
    assert units.size(count_bytes) == text


@pytest.mark.parametrize(
    ("time_ns", "text"),
    [
        (0, "0 us"),
        (400_000, "400 us"),
        (45 * NS_PER_MS, "45 ms"),
        (119 * NS_PER_S, "119 s"),
        (120 * NS_PER_S, "2 min"),
        (7200 * NS_PER_S, "2 h"),
        (365 * NS_PER_DAY, "365 days"),
        (3 * NS_PER_YEAR, "3 years"),
        (2000 * NS_PER_YEAR, "2,000 years"),
    ],
)
def test_time(time_ns: int, text: str) -> None:
    assert units.time(time_ns) == text


def test_years_of_life_end_where_they_mean_nothing() -> None:
    assert units.years(1000 * NS_PER_YEAR - NS_PER_YEAR // 2) == "1,000 years"
    assert units.years(1000 * NS_PER_YEAR) == "over 1,000 years"
    assert units.years(NS_PER_YEAR * 3 // 2) == "1.50 years"
    assert units.years(NS_PER_DAY) == "24 h"


def test_energy_and_charge() -> None:
    # 20 mA at 3.3 V for 0.4 ms: 0.02 * 3.3 * 0.0004 J = 26.4 uJ = 26,400 nJ.
    assert units.energy(26_400) == "26.4 uJ"
    assert units.energy(2_851_200_000) == "2.85 J"
    # 3.3 V * 1 mA * 1 h = 11.88 J = 11.88e9 nJ.
    assert units.charge(11_880_000_000, 3300) == "1 mAh"
    assert units.charge(1_188_000_000, 3300) == "100 uAh"


def test_names_from_outside_reach_no_terminal_as_commands() -> None:
    assert units.plain("a\x1b[2Jb\n\udc80é") == "a\\x1b[2Jb\\n\\udc80é"
    assert units.plain("x" * 100, 10) == "xxxxxxx..."


def test_counted() -> None:
    assert [units.counted(n, "erase") for n in (0, 1, 2000)] == ["0 erases", "1 erase", "2,000 erases"]
