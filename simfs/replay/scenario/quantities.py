"""Quantities as people write them: durations `10 min`, `1h30m`, `250 ms`; sizes `3 MiB`, and addresses such as
`0x300000`; charges `2400 mAh`, currents `3.5 uA`, voltages `3.6 V`.

Strict on purpose. A decimal number without a unit is refused, and so is a unit that two readers may take differently:
`m` alone (minutes? months?), `KB` (1000 or 1024?), `y`. All results are exact integers, of ns, bytes, uAh, nA or mV.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import NamedTuple

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_MS, NS_PER_S, NS_PER_US, NS_PER_YEAR
from simfs.replay.scenario.near_words import did_you_mean

_DURATION_NS = {
    "ns": 1,
    "us": NS_PER_US,
    "µs": NS_PER_US,  # U+00B5, the micro sign
    "\u03bcs": NS_PER_US,  # the Greek letter that looks the same
    "ms": NS_PER_MS,
    **dict.fromkeys(("s", "second", "seconds"), NS_PER_S),
    **dict.fromkeys(("min", "minute", "minutes"), 60 * NS_PER_S),
    **dict.fromkeys(("h", "hour", "hours"), 3600 * NS_PER_S),
    **dict.fromkeys(("d", "day", "days"), NS_PER_DAY),
    **dict.fromkeys(("week", "weeks"), 7 * NS_PER_DAY),
    **dict.fromkeys(("year", "years"), NS_PER_YEAR),
}
_SIZE_BYTES = {"B": 1, "KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30}
_MICRO = ("u", "µ", "\u03bc")  # and the two letters that look like it
_CHARGE_UAH = {**dict.fromkeys((f"{micro}Ah" for micro in _MICRO), 1), "mAh": 1_000, "Ah": 10**6}
_CURRENT_NA = {"nA": 1, **dict.fromkeys((f"{micro}A" for micro in _MICRO), 1_000), "mA": 10**6, "A": 10**9}
_VOLTAGE_MV = {"mV": 1, "V": 1_000}

DURATION_UNITS = "ns, us, ms, s or seconds, min or minutes, h or hours, d or days, weeks, years (of 365.25 days)"
SIZE_UNITS = "B, KiB, MiB, GiB"
CHARGE_UNITS, CURRENT_UNITS, VOLTAGE_UNITS = "uAh, mAh, Ah", "nA, uA, mA, A", "mV, V"
ADDRESS = "0x300000"

_DOUBTFUL_DURATIONS = {
    "m": "may be minutes or months; write min",
    "M": "may be minutes or months; write min",
    "mo": "has no fixed length; write days",
    "month": "has no fixed length; write days",
    "months": "has no fixed length; write days",
    "y": "may be 365 or 366 days; write days, or years for years of 365.25 days",
}
_DOUBTFUL_SIZES = {
    "b": "may be bits or bytes; write B for bytes",
    **dict.fromkeys(("k", "K", "kB", "KB"), "may be 1000 or 1024 bytes; write KiB or B"),
    **dict.fromkeys(("m", "M", "mB", "MB"), "may be 1000² or 1024² bytes; write MiB or B"),
    **dict.fromkeys(("G", "gB", "GB"), "may be 1000³ or 1024³ bytes; write GiB or B"),
}


class _Kind(NamedTuple):
    what: str
    example: str
    base: str
    units: dict[str, int]
    doubtful: dict[str, str]
    listed: str


_DURATION = _Kind("a duration", '"10 min"', "ns", _DURATION_NS, _DOUBTFUL_DURATIONS, DURATION_UNITS)
_SIZE = _Kind("a size", f'"3 MiB" or "{ADDRESS}"', "bytes", _SIZE_BYTES, _DOUBTFUL_SIZES, SIZE_UNITS)
_CHARGE = _Kind("a charge", '"2400 mAh"', "uAh", _CHARGE_UAH, {}, CHARGE_UNITS)
_CURRENT = _Kind("a current", '"3.5 uA"', "nA", _CURRENT_NA, {}, CURRENT_UNITS)
_VOLTAGE = _Kind("a voltage", '"3.6 V"', "mV", _VOLTAGE_MV, {}, VOLTAGE_UNITS)
_HEXADECIMAL = re.compile(r"\s*0[xX]([0-9A-Fa-f]{1,16})\s*")
DIGITS = "18 of them, and 9 behind a point"
_TERM = re.compile(r"\s*([0-9]{1,18}(?:\.[0-9]{1,9})?)\s*([^\W\d_]+)?\s*")


def parse_duration(text: object) -> int:
    """ns of a duration such as `10 min`, `1h30m` or `0.5 s`. `ValueError` says what would be right."""
    return _parse(text, _DURATION)


def parse_size(text: object) -> int:
    """Bytes of a size such as `40 B` or `3 MiB`, or of an address as datasheets print it, `0x300000`, which needs no
    unit. `ValueError` says what would be right."""
    address = _HEXADECIMAL.fullmatch(text) if isinstance(text, str) else None
    if address is not None:
        return int(address[1], 16)
    return _parse(text, _SIZE)


def parse_charge(text: object) -> int:
    """uAh of a charge such as `2400 mAh`. `ValueError` says what would be right."""
    return _parse(text, _CHARGE)


def parse_current(text: object) -> int:
    """nA of a current such as `3.5 uA`. `ValueError` says what would be right."""
    return _parse(text, _CURRENT)


def parse_voltage(text: object) -> int:
    """mV of a voltage such as `3.6 V`. `ValueError` says what would be right."""
    return _parse(text, _VOLTAGE)


def format_duration(ns: int) -> str:
    """The shortest exact spelling that `parse_duration` reads back."""
    if ns == 0:
        return "0 s"
    for unit in ("d", "h", "min", "s", "ms", "us"):
        if ns % _DURATION_NS[unit] == 0:
            return f"{ns // _DURATION_NS[unit]} {unit}"
    return f"{ns} ns"


def format_size(size_bytes: int) -> str:
    """The shortest exact spelling that `parse_size` reads back."""
    for unit in ("GiB", "MiB", "KiB"):
        if size_bytes and size_bytes % _SIZE_BYTES[unit] == 0:
            return f"{size_bytes // _SIZE_BYTES[unit]} {unit}"
    return f"{size_bytes} B"


def _parse(text: object, kind: _Kind) -> int:
    if not isinstance(text, str):
        raise ValueError(_not_text(text, kind))
    total, at, smallest = Fraction(0), 0, 0
    while at < len(text) or at == 0:
        term = _TERM.match(text, at)
        if term is None:
            what = "is below zero" if text.lstrip().startswith("-") else f"is not {kind.what}"
            raise ValueError(f'"{text}" {what}; write for example {kind.example}')
        number, unit = term.groups()
        if unit is None and text[term.end() : term.end() + 1].isdigit():
            raise ValueError(f'"{text}" has a number with too many digits; write at most {DIGITS}')
        if unit is None:
            raise ValueError(f'"{text}" has a number without a unit; units are {kind.listed}')
        each = _unit(text, unit, kind, after_hours=smallest == _DURATION_NS["h"])
        if smallest and each >= smallest:
            raise ValueError(f'"{text}" has its units out of order; write the largest first, each once')
        total, at, smallest = total + Fraction(number) * each, term.end(), each
    if total.denominator != 1:
        raise ValueError(f'"{text}" is not a whole number of {kind.base}; write one that is')
    return int(total)


def _unit(text: str, unit: str, kind: _Kind, *, after_hours: bool) -> int:
    if unit in kind.units:
        return kind.units[unit]
    if unit == "m" and kind is _DURATION and after_hours:
        return kind.units["min"]
    if unit in kind.doubtful:
        raise ValueError(f'"{text}": the unit {unit} {kind.doubtful[unit]}')
    near = did_you_mean(unit, kind.units)
    raise ValueError(f'"{text}": there is no unit {unit} for {kind.what}; {near}units are {kind.listed}')


def _not_text(value: object, kind: _Kind) -> str:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return f"{value!r} is not {kind.what}; write for example {kind.example}"
    return f"{value!r} has no unit; write {kind.what} as text with its unit, for example {kind.example}"
