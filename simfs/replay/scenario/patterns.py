"""Text with placeholders: names such as `/tide/{date}.csv` and contents such as `{time},{level}\\n`.

A pattern is no format string of Python: it reaches no attribute and runs nothing. `{{` and `}}` stand for the braces.
`PLACEHOLDERS` has those of clock and counters; contents may also have a reading of the scenario's table `values`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_S, date_of

WIDTH_MAX = 18

_PIECE = re.compile(
    r"(?P<literal>(?:[^{}]|\{\{|\}\})+)"
    r"|\{(?P<field>[A-Za-z_][A-Za-z0-9_]*)(?::(?P<width>[0-9]{1,2}))?\}"
)


class ClockField(NamedTuple):
    """A field of the clock."""

    tick_ns: int  # how long it keeps its text
    cycle: int  # after how many ticks the same texts come again
    text: Callable[[int], str]  # of a tick; the first one of all is number 0


@lru_cache(maxsize=1024)
def _date_text(day: int) -> str:
    return "{:04}-{:02}-{:02}".format(*date_of(day))


def _time_text(second_of_day: int) -> str:
    minutes, second = divmod(second_of_day, 60)
    return f"{minutes // 60:02}:{minutes % 60:02}:{second:02}"


_NEVER = 1 << 200
CLOCK = {
    "date": ClockField(NS_PER_DAY, _NEVER, _date_text),
    "year": ClockField(NS_PER_DAY, _NEVER, lambda day: f"{date_of(day)[0]:04}"),
    "month": ClockField(NS_PER_DAY, _NEVER, lambda day: f"{date_of(day)[1]:02}"),
    "day": ClockField(NS_PER_DAY, _NEVER, lambda day: f"{date_of(day)[2]:02}"),
    "hour": ClockField(3600 * NS_PER_S, 24, "{:02}".format),
    "minute": ClockField(60 * NS_PER_S, 60, "{:02}".format),
    "time": ClockField(NS_PER_S, NS_PER_DAY // NS_PER_S, _time_text),
    "second": ClockField(NS_PER_S, 60, "{:02}".format),
}
CLOCK_FIELDS = tuple(CLOCK)
COUNT_FIELDS = ("counter", "boot")
PLACEHOLDERS = {  # what each stands for
    "date": "year, month and day",
    "year": "the year, four digits or more",
    "month": "the month, two digits",
    "day": "the day of the month, two digits",
    "time": "hours, minutes and seconds",
    "hour": "the hour, two digits",
    "minute": "the minute, two digits",
    "second": "the second, two digits",
    "counter": "how often the task has run before; with `counter_every = n`, every n runs count as one",
    "boot": "how often the device has booted since the start",
}
_NO_FIXED_LENGTH = ("year", *COUNT_FIELDS)


class Field(NamedTuple):
    """One place to fill in."""

    name: str
    width: int


@dataclass(frozen=True, slots=True)
class Pattern:
    """A parsed pattern: literal text and fields in turn."""

    text: str
    pieces: tuple[str | Field, ...]
    template: str = field(init=False, repr=False, compare=False)  # for the operator %, with a place for each of
    places: tuple[Field, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        literal = [piece.replace("%", "%%") if isinstance(piece, str) else "%s" for piece in self.pieces]
        object.__setattr__(self, "template", "".join(literal))
        object.__setattr__(self, "places", tuple(piece for piece in self.pieces if isinstance(piece, Field)))

    @property
    def fields(self) -> set[str]:
        """Names of its fields."""
        return {piece.name for piece in self.pieces if isinstance(piece, Field)}

    @property
    def open_ends(self) -> int:
        """How many of its fields have no fixed length and are followed by digits. The time to match a name with
        `expression` may grow as the name's length to the power of this."""
        following = (*self.pieces[1:], "")
        return sum(
            isinstance(piece, Field)
            and piece.name in _NO_FIXED_LENGTH
            and (isinstance(after, Field) or after[:1].isdecimal())
            for piece, after in zip(self.pieces, following, strict=True)
        )

    def expression(self) -> re.Pattern[str]:
        """Matches what the pattern can give; each field is a group."""
        parts = [re.escape(piece) if isinstance(piece, str) else _field_expression(piece) for piece in self.pieces]
        return re.compile("".join(parts), re.DOTALL)


def parse_pattern(text: str) -> Pattern:
    """The pattern that `text` spells. `ValueError` says where a brace is wrong."""
    pieces: list[str | Field] = []
    at = 0
    while at < len(text):
        match = _PIECE.match(text, at)
        if match is None:
            where = f"a brace at character {at + 1} is wrong"
            raise ValueError(f"{where}; write a field as {{date}}, a brace itself as {{{{ or }}}}")
        literal = match["literal"]
        if literal is not None:
            pieces.append(literal.replace("{{", "{").replace("}}", "}"))
        else:
            pieces.append(_field(match["field"], match["width"]))
        at = match.end()
    return Pattern(text, tuple(pieces))


@dataclass(slots=True)
class Moment:
    """The moment that the texts of the clock's fields and of the counters tell."""

    now_ns: int = 0
    counter: int = 0
    boot: int = 0

    def field(self, name: str) -> str:
        """The text of a field of the clock, or a counter."""
        if name in COUNT_FIELDS:
            return str(self.counter if name == "counter" else self.boot)
        tick_ns, cycle, text = CLOCK[name]
        return text(self.now_ns // tick_ns % cycle)


def tick_ns(pattern: Pattern) -> int:
    """How long the pattern's fields of the clock all keep their text."""
    ticks = [CLOCK[name].tick_ns for name in pattern.fields if name in CLOCK]
    return min(ticks, default=_NEVER)  # no field of the clock: the one tick never ends


def name_writer(pattern: Pattern, moment: Moment, back_ns: int = 0) -> Callable[[], str]:
    """A function that fills the pattern in, `back_ns` before `moment`.

    The text is kept for as long as no field of it changes.
    """
    if not pattern.fields:
        text = filled(pattern, moment)
        return lambda: text
    kept_ns, counts = tick_ns(pattern), not pattern.fields.isdisjoint(COUNT_FIELDS)
    shifted = Moment()
    kept_for: tuple[int, int, int] | None = None
    kept = ""

    def write() -> str:
        nonlocal kept_for, kept
        now_ns = moment.now_ns - back_ns
        now = (now_ns // kept_ns, moment.counter * counts, moment.boot * counts)
        if now != kept_for:
            kept_for = now
            shifted.now_ns, shifted.counter, shifted.boot = now_ns, moment.counter, moment.boot
            kept = filled(pattern, shifted)
        return kept

    return write


def filled(pattern: Pattern, moment: Moment) -> str:
    """The text at a moment of a pattern without readings."""
    texts = [(moment.field(name), width) for name, width in pattern.places]
    return pattern.template % tuple(text.zfill(width) for text, width in texts)


def _field(name: str, width: str | None) -> Field:
    if width is not None and not 1 <= int(width) <= WIDTH_MAX:
        raise ValueError(f"{{{name}:{width}}} is {width} wide; write 1 to {WIDTH_MAX}")
    return Field(name, int(width or 0))


def _field_expression(field: Field) -> str:
    name, width = field
    if name == "date":
        return f"([0-9]{{{max(4, width - 6)},}}-[0-9]{{2}}-[0-9]{{2}})"
    if name == "time":
        return f"([0-9]{{{max(2, width - 6)}}}:[0-9]{{2}}:[0-9]{{2}})"
    if name in _NO_FIXED_LENGTH:
        return f"([0-9]{{{max(4 if name == 'year' else 1, width)},}})"
    return f"([0-9]{{{max(2, width)}}})"
