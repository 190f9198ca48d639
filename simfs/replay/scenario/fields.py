"""The kinds of value that a scenario's keys take: quantities, moments, names, texts, each with a bound.

A value that is refused raises `ValueError`, which says what is wrong and, after a semicolon, what would be right.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, PlainValidator, WithJsonSchema

from simfs.replay.device.clock import NS_PER_YEAR, calendar, moment, parse_moment, parse_time_of_day, time_of_day
from simfs.replay.scenario.near_words import did_you_mean
from simfs.replay.scenario.patterns import CLOCK_FIELDS, COUNT_FIELDS, Pattern, parse_pattern
from simfs.replay.scenario.quantities import (
    format_duration,
    format_size,
    parse_charge,
    parse_current,
    parse_duration,
    parse_size,
    parse_voltage,
)

CHIP_BYTES_MAX = 256 << 20
CARD_BYTES_MAX = 64 << 30
CONTENT_BYTES_MAX = 16 << 20
TEXT_LETTERS_MAX = 65_536
NAME_LETTERS_MAX = 1024
DURATION_MAX_NS = 1000 * NS_PER_YEAR


class Table(BaseModel):
    """A table of a scenario: no keys but its own, no conversion from one type to another."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, defer_build=True)

    @classmethod
    def left_out(cls, key: str) -> object:
        """The value that holds if the scenario leaves `key` out; None if there is none then."""
        return cls.model_fields[key].default


@dataclass(frozen=True, slots=True)
class Form:
    """How a kind of value is written in TOML: the guide's word for it, and a function that writes one."""

    word: str
    spell: Callable[[Any], str] = str


_NAME_FIELDS = (*CLOCK_FIELDS, *COUNT_FIELDS)


def _quantity(parse: Callable[[object], int], least: int, most: int, right: str) -> PlainValidator:
    def check(value: object) -> int:
        quantity = parse(value)
        if not least <= quantity <= most:
            raise ValueError(f"{value!r} is out of bounds; write {right}")
        return quantity

    return PlainValidator(check)


def _moment(value: object) -> int:
    if isinstance(value, datetime):
        if value.tzinfo is not None:
            raise ValueError("the device's clock knows no time zone; leave it out, as in 2031-04-05 03:00:00")
        return moment(*value.timetuple()[:6]) + value.microsecond * 1000
    if isinstance(value, date):
        return moment(value.year, value.month, value.day)
    if isinstance(value, str):
        return parse_moment(value)
    raise ValueError(f"{value!r} is not a date; write for example 2031-04-05 or 2031-04-05 03:00:00")


def _time_of_day(value: object) -> int:
    if isinstance(value, time):
        return time_of_day(value.hour, value.minute, value.second) + value.microsecond * 1000
    if isinstance(value, str):
        return parse_time_of_day(value)
    raise ValueError(f'{value!r} is not a time of day; write for example "03:00"')


def _name(value: object) -> str:
    if not isinstance(value, str) or not 1 <= len(value) <= NAME_LETTERS_MAX:
        raise ValueError(f'{value!r:.60} is not a name; write for example "/settings.json"')
    if "\0" in value:
        raise ValueError("the name holds a NUL, which ends a name; leave it out")
    return value


def _name_pattern(value: object) -> Pattern:
    pattern = parse_pattern(_name(value))
    unknown = sorted(pattern.fields.difference(_NAME_FIELDS))
    if unknown:
        near = did_you_mean(unknown[0], _NAME_FIELDS)
        raise ValueError(f"a name has no field {{{unknown[0]}}}; {near}fields of names are {', '.join(_NAME_FIELDS)}")
    return pattern


def _text(value: object) -> Pattern:
    if not isinstance(value, str):
        raise ValueError(f'{value!r:.60} is not text; write for example "{{time}},{{level}}\\n"')
    if len(value) > TEXT_LETTERS_MAX:
        raise ValueError(f"the text has {len(value)} letters; write at most {TEXT_LETTERS_MAX}, or give a size instead")
    return parse_pattern(value)


def _pair(value: object) -> object:
    return value if isinstance(value, list) else [value, value]


def _listed(value: object) -> object:
    return value if isinstance(value, list) else [value]


def _in_order(pair: list[int]) -> list[int]:
    if pair[0] > pair[1]:
        raise ValueError("the first is more than the second; write the least first")
    return pair


def _spell_moment(at_ns: int) -> str:
    at = calendar(at_ns)
    return f"{at.year:04}-{at.month:02}-{at.day:02} {at.hour:02}:{at.minute:02}:{at.second:02}"


_DURATION_SCHEMA = WithJsonSchema({"type": "string", "examples": ["10 min", "1h30m", "250 ms"]})
_SIZE_SCHEMA = WithJsonSchema({"type": "string", "examples": ["40 B", "3 MiB"]})
_NAME_SCHEMA = WithJsonSchema({"type": "string", "minLength": 1, "maxLength": NAME_LETTERS_MAX})
_TEXT_SCHEMA = WithJsonSchema({"type": "string", "maxLength": TEXT_LETTERS_MAX})
_CHARGE_SCHEMA = WithJsonSchema({"type": "string", "examples": ["2400 mAh"]})
_CURRENT_SCHEMA = WithJsonSchema({"type": "string", "examples": ["3.5 uA", "4 mA"]})
_VOLTAGE_SCHEMA = WithJsonSchema({"type": "string", "examples": ["3.6 V"]})
_MOMENT_SCHEMA = WithJsonSchema({"type": "string", "examples": ["2031-04-05 03:00:00"]})
_TIME_SCHEMA = WithJsonSchema({"type": "string", "examples": ["03:00"]})

_any_duration = _quantity(parse_duration, 0, DURATION_MAX_NS, "at most 1000 years")
_some_duration = _quantity(parse_duration, 1, DURATION_MAX_NS, "1 ns to 1000 years")
_any_size = _quantity(parse_size, 0, CHIP_BYTES_MAX, "at most 256 MiB")
_some_size = _quantity(parse_size, 1, CHIP_BYTES_MAX, "1 B to 256 MiB")
_card_size = _quantity(parse_size, 32 << 10, CARD_BYTES_MAX, "32 KiB to 64 GiB")
_content_size = _quantity(parse_size, 0, CONTENT_BYTES_MAX, "at most 16 MiB")
_some_charge = _quantity(parse_charge, 1, 10**12, "1 uAh to 1,000,000 Ah")
_any_current = _quantity(parse_current, 0, 10**11, "at most 100 A")
_some_voltage = _quantity(parse_voltage, 1, 100_000, "1 mV to 100 V")

Duration = Annotated[int, _any_duration, _DURATION_SCHEMA, Form("duration", format_duration)]
Period = Annotated[int, _some_duration, _DURATION_SCHEMA, Form("duration above 0", format_duration)]
AnySize = Annotated[int, _any_size, _SIZE_SCHEMA, Form("size", format_size)]
Size = Annotated[int, _some_size, _SIZE_SCHEMA, Form("size above 0", format_size)]
CardSize = Annotated[int, _card_size, _SIZE_SCHEMA, Form("size from 32 KiB to 64 GiB", format_size)]
ContentSize = Annotated[int, _content_size, _SIZE_SCHEMA, Form("size up to 16 MiB", format_size)]
Charge = Annotated[int, _some_charge, _CHARGE_SCHEMA, Form("charge above 0")]
Current = Annotated[int, _any_current, _CURRENT_SCHEMA, Form("current")]
Voltage = Annotated[int, _some_voltage, _VOLTAGE_SCHEMA, Form("voltage above 0")]
Moment = Annotated[int, PlainValidator(_moment), _MOMENT_SCHEMA, Form("date and time", _spell_moment)]
TimeOfDay = Annotated[int, PlainValidator(_time_of_day), _TIME_SCHEMA, Form("time of day")]
Name = Annotated[str, PlainValidator(_name), _NAME_SCHEMA, Form("name")]
NamePattern = Annotated[Pattern, PlainValidator(_name_pattern), _NAME_SCHEMA, Form("name with placeholders")]
Text = Annotated[Pattern, PlainValidator(_text), _TEXT_SCHEMA, Form("text with placeholders")]
Count = Annotated[int, Field(ge=1, le=1_000_000), Form("whole number from 1")]

_TWO = Field(min_length=2, max_length=2)
SizeRange = Annotated[
    list[ContentSize], BeforeValidator(_pair), _TWO, AfterValidator(_in_order), Form("size, or a list of two")
]
CountRange = Annotated[
    list[Count], BeforeValidator(_pair), _TWO, AfterValidator(_in_order), Form("whole number from 1, or a list of two")
]
TimesOfDay = Annotated[
    list[TimeOfDay], BeforeValidator(_listed), Field(min_length=1, max_length=100), Form("time of day, or a list")
]
