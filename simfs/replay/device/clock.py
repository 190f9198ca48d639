"""The device's clock: an integer of ns since 0001-01-01 00:00:00 of the proleptic Gregorian calendar.

Python's `datetime` ends with the year 9999; this clock does not. It knows no time zone, no daylight saving and no leap
second: a day has 86,400 s, as on a device that counts them.
"""

from __future__ import annotations

import re
from typing import NamedTuple

NS_PER_US = 1_000
NS_PER_MS = 1_000_000
NS_PER_S = 1_000_000_000
NS_PER_DAY = 86_400 * NS_PER_S
NS_PER_YEAR = 365_250 * NS_PER_DAY // 1000  # a Julian year, 365.25 days
YEARS_SHOWN_MAX = 1000  # beyond, other things than wear decide
YEAR_MAX = 999_999
START_UNSAID = "2031-01-01"  # where the device's clock starts if nobody says

_DAYS_PER_400_YEARS = 146_097
_DAYS_BEFORE_MARCH = 306  # from 1 March of the year 0 to 1 January of the year 1
_MOMENT = re.compile(r"([0-9]{4,6})-([0-9]{2})-([0-9]{2})(?:[ T]([0-9]{2}):([0-9]{2})(?::([0-9]{2}))?)?")
_TIME_OF_DAY = re.compile(r"([0-9]{2}):([0-9]{2})(?::([0-9]{2}))?")


class Calendar(NamedTuple):
    """A moment as people write it."""

    year: int
    month: int
    day: int
    hour: int
    minute: int
    second: int
    ns: int


def days_before(year: int, month: int, day: int) -> int:
    """Days from 0001-01-01 to a date. Years are counted from March, so that a leap day ends its year."""
    year, month = (year, month - 3) if month > 2 else (year - 1, month + 9)
    return 365 * year + year // 4 - year // 100 + year // 400 + (153 * month + 2) // 5 + day - 1 - _DAYS_BEFORE_MARCH


def date_of(days: int) -> tuple[int, int, int]:
    """Year, month and day, `days` after 0001-01-01."""
    era, day_of_era = divmod(days + _DAYS_BEFORE_MARCH, _DAYS_PER_400_YEARS)
    year_of_era = (day_of_era - day_of_era // 1460 + day_of_era // 36_524 - day_of_era // 146_096) // 365
    day_of_year = day_of_era - (365 * year_of_era + year_of_era // 4 - year_of_era // 100)
    month = (5 * day_of_year + 2) // 153
    day = day_of_year - (153 * month + 2) // 5 + 1
    year = year_of_era + 400 * era
    return (year, month + 3, day) if month < 10 else (year + 1, month - 9, day)


def calendar(at_ns: int) -> Calendar:
    """What a calendar and a clock on the wall show at `at_ns`."""
    days, ns = divmod(at_ns, NS_PER_DAY)
    seconds, ns = divmod(ns, NS_PER_S)
    minutes, second = divmod(seconds, 60)
    hour, minute = divmod(minutes, 60)
    return Calendar(*date_of(days), hour, minute, second, ns)


def moment(
    year: int, month: int = 1, day: int = 1, hour: int = 0, minute: int = 0, second: int = 0, ns: int = 0
) -> int:
    """Device time of a date and time of day. `ValueError` when there is no such moment."""
    if not (1 <= year <= YEAR_MAX and 1 <= month <= 12 and 1 <= day <= 31):
        raise ValueError(f"there is no date {year:04}-{month:02}-{day:02}")
    days = days_before(year, month, day)
    if date_of(days) != (year, month, day):
        raise ValueError(f"there is no date {year:04}-{month:02}-{day:02}")
    return days * NS_PER_DAY + time_of_day(hour, minute, second) + ns


def time_of_day(hour: int, minute: int, second: int = 0) -> int:
    """ns since midnight. `ValueError` when no clock shows that time."""
    if not (0 <= hour <= 23 and 0 <= minute <= 59 and 0 <= second <= 59):
        raise ValueError(f"there is no time of day {hour:02}:{minute:02}:{second:02}")
    return ((hour * 60 + minute) * 60 + second) * NS_PER_S


def parse_moment(text: str) -> int:
    """Device time of `2031-04-05`, `2031-04-05 03:00` or `2031-04-05 03:00:00`; years may have up to six digits."""
    match = _MOMENT.fullmatch(text.strip())
    if match is None:
        raise ValueError(f'{text!r} is not a date; write for example "2031-04-05" or "2031-04-05 03:00:00"')
    return moment(*(int(part) for part in match.groups() if part is not None))


def parse_time_of_day(text: str) -> int:
    """ns since midnight of `03:00` or `03:00:00`."""
    match = _TIME_OF_DAY.fullmatch(text.strip())
    if match is None:
        raise ValueError(f'{text!r} is not a time of day; write for example "03:00"')
    return time_of_day(*(int(part) for part in match.groups() if part is not None))


def format_moment(at_ns: int) -> str:
    """`2031-04-05 03:00:00`, with the fraction of a second only where there is one."""
    year, month, day, hour, minute, second, ns = calendar(at_ns)
    fraction = f".{ns:09}".rstrip("0") if ns else ""
    return f"{year:04}-{month:02}-{day:02} {hour:02}:{minute:02}:{second:02}{fraction}"
