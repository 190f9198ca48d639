"""The reference of a scenario's TOML as Markdown, made from the models that check it, so that it can't go stale."""

from __future__ import annotations

import inspect
import json
from collections.abc import Iterable, Iterator, Sequence
from types import NoneType
from typing import Any, Literal, NamedTuple, get_args, get_origin

from pydantic.fields import FieldInfo

from simfs.replay.device.clock import moment
from simfs.replay.scenario import patterns, quantities, tables, tasks
from simfs.replay.scenario.expectations import Expect
from simfs.replay.scenario.fields import Form, Table
from simfs.replay.scenario.media.both import Both, CardOut
from simfs.replay.scenario.media.card import CardTable
from simfs.replay.scenario.media.chip import Chip
from simfs.replay.scenario.regions.tables import Region, Releases
from simfs.replay.scenario.supply.battery import BatteryTable

SECTIONS: tuple[tuple[str, type[Table]], ...] = (
    ("The top of the file", tables.Scenario),
    ("[chip]", Chip),
    ("[card]", CardTable),
    ("[both]", Both),
    ("[[card_out]]", CardOut),
    ("[store]", tables.StoreTable),
    ("[battery]", BatteryTable),
    ("[[region]]", Region),
    ("[releases]", Releases),
    ("[run]", tables.RunTable),
    ("[values.NAME]", tables.Value),
    ("waves of a value", tables.Wave),
    ("walk of a value", tables.Walk),
    ("[[task]]", tasks.Task),
    ("burst of a task", tasks.Burst),
    ("until of a task", tasks.Until),
)
OPERATIONS: tuple[type[Table], ...] = get_args(get_args(tasks.Operation)[0])

FORMS = (
    ("duration", f'text with units, {quantities.DURATION_UNITS}: `"250 ms"`, `"1h30m"`'),
    (
        "size",
        f'text with units, {quantities.SIZE_UNITS}: `"40 B"`, `"3 MiB"`; or in hexadecimal, `"{quantities.ADDRESS}"`',
    ),
    (
        "charge, current, voltage",
        f"text with units, {quantities.CHARGE_UNITS}; {quantities.CURRENT_UNITS}; {quantities.VOLTAGE_UNITS}: "
        '`"2400 mAh"`, `"3.5 uA"`, `"3.6 V"`',
    ),
    ("date and time", "`2031-04-05` or `2031-04-05 03:00:00`, with or without quotes"),
    ("time of day", '`"03:00"` or `"03:00:00"`'),
    ("name", 'the whole path in quotes: `"/tide/2031-04-05.csv"`'),
    ("with placeholders", '`"/tide/{date}.csv"`; the placeholders are listed below'),
    ("list of two", '`["20 B", "60 B"]`: each time, a value between the two is drawn'),
)

Row = Sequence[str]

_NO_BOUND = 10**9  # so large that the guide need not say it


class Key(NamedTuple):
    """A key of a table, as the guide shows it."""

    name: str
    takes: str
    left_out: str
    meaning: str


def reference() -> str:
    """Every table, key, operation, placeholder and expectation of a scenario, in Markdown."""
    parts = ["## How values are written", _table(("form", "written as"), FORMS)]
    for title, model in SECTIONS:
        parts += [f"## {title}", summary(model), _table(("key", "takes", "if left out", "meaning"), keys(model))]
    parts += ["## Operations", _operations(), "## Placeholders", _placeholders()]
    expected = [(key.name, key.takes, key.meaning) for key in keys(Expect)]
    parts += ["## [expect]", summary(Expect), _table(("key", "takes", "what must hold"), expected)]
    return "\n\n".join(parts) + "\n"


def keys(model: type[Table]) -> list[Key]:
    """The keys of a table but for the `do` of an operation. `ValueError` names one without a description."""
    found = []
    for name, field in model.model_fields.items():
        if name == "do":
            continue
        if not field.description:
            raise ValueError(f"{model.__name__}.{name} has no description; write one")
        found.append(Key(f"`{name}`", _takes(field), _left_out(model, name, field), field.description))
    return found


def _operations() -> str:
    """A table of what the operations do, then one of their keys, in which those of the same meaning share a line."""
    what, sharing = [], dict[Key, list[str]]()
    for model in OPERATIONS:
        (do,) = get_args(model.model_fields["do"].annotation)
        what.append((f"`{do}`", summary(model), ", ".join(key.name for key in keys(model))))
        for key in keys(model):
            sharing.setdefault(key, []).append(do)
    lines = [
        (key.name, _all_of(names), *key[1:]) for key, names in sorted(sharing.items(), key=lambda one: one[0].name)
    ]
    intro = (
        'Each operation of a task is a table with the key `do`: `{ do = "append", file = "/a.csv", size = "40 B" }`.'
    )
    return "\n\n".join(
        [
            intro,
            _table(("do", "what the device does", "keys"), what),
            _table(("key", "of", "takes", "if left out", "meaning"), lines),
        ]
    )


def _all_of(names: list[str]) -> str:
    """The operations that have a key: by name, or in short where all have it that could."""
    without = {do for model in OPERATIONS for do in get_args(model.model_fields["do"].annotation)} - set(names)
    if without == {"boot"}:
        return "all but boot"
    return "all but list and boot" if without == {"list", "boot"} else ", ".join(names)


def _placeholders() -> str:
    """Each with what it gives at one moment."""
    now = patterns.Moment()
    now.now_ns, now.counter, now.boot = moment(2031, 4, 5, 3, 7), 42, 2
    rows = [(f"`{{{name}}}`", f"`{now.field(name)}`", meaning) for name, meaning in patterns.PLACEHOLDERS.items()]
    rows.append(("`{counter:6}`", "`000042`", "any of these with zeros in front, up to 18 digits"))
    rows.append(
        ("`{level}`", "`2.418`", "in `text` only: the reading of the table `[values.level]`, drawn anew each time")
    )
    rows.append(("`{{` `}}`", "`{` `}`", "the braces themselves"))
    return _table(("placeholder", "gives", "meaning"), rows)


def summary(model: type[Table]) -> str:
    """The first paragraph of the model's docstring, on one line."""
    return " ".join(inspect.cleandoc(model.__doc__ or "").partition("\n\n")[0].split())


def _left_out(model: type[Table], name: str, field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    value = model.left_out(name)
    if value is None or isinstance(value, (Table, list, dict)) or value == "":
        return "-"
    form = _form(field.annotation, field.metadata)
    return f"`{form.spell(value) if form else _literal(value)}`"


def _literal(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else json.dumps(value)


def _takes(field: FieldInfo) -> str:
    extra = field.json_schema_extra
    if isinstance(extra, dict) and "enum" in extra:
        return _either(json.loads(json.dumps(extra["enum"])))
    return _kind(field.annotation, field.metadata)


def _kind(annotation: Any, metadata: Iterable[Any]) -> str:
    """The guide's words for what an annotation lets through."""
    form = _form(annotation, metadata)
    if form:
        return form.word
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin is Literal:
        return _either(inner)
    if origin is list:
        return (
            "a list of tables"
            if inner[0] in _TABLES or inner[0] == tasks.Operation
            else f"list of {_kind(inner[0], ())}s"
        )
    if origin is dict:
        return "a table for each name" if inner[1] in _TABLES else f"table: name = {_kind(inner[1], ())}"
    if inner:
        return " or ".join(_kind(one, metadata) for one in inner if one is not NoneType)
    return "table" if annotation in _TABLES else _plain(annotation, list(metadata))


def _plain(annotation: type, metadata: list[Any]) -> str:
    if annotation is bool:
        return "true or false"
    if annotation is str:
        return "text"
    word = "whole number" if annotation is int else "number"
    least = next((one.ge for one in metadata if hasattr(one, "ge")), None)
    most = next((one.le for one in metadata if hasattr(one, "le")), None)
    if any(hasattr(one, "gt") for one in metadata):
        return f"{word} above 0" if most is None or most >= _NO_BOUND else f"{word} above 0, to {most:,}"
    if least is None or least < 0:
        return word
    return f"{word} from {least:,}" if most is None or most >= _NO_BOUND else f"{word}, {least:,} to {most:,}"


def _form(annotation: Any, metadata: Iterable[Any]) -> Form | None:
    """That of an annotation, or of its one alternative that is not None."""
    kinds = [one for one in metadata if isinstance(one, Form)]
    kinds += [one for one in getattr(annotation, "__metadata__", ()) if isinstance(one, Form)]
    if kinds:
        return kinds[0]
    inner = [one for one in get_args(annotation) if one is not NoneType]
    return _form(inner[0], ()) if len(inner) == 1 and NoneType in get_args(annotation) else None


def _either(values: Iterable[object]) -> str:
    return ", ".join(f"`{json.dumps(value)}`" for value in values)


def _table(head: Row, rows: Iterable[Row]) -> str:
    return "\n".join(_lines(head, rows))


def _lines(head: Row, rows: Iterable[Row]) -> Iterator[str]:
    yield f"| {' | '.join(head)} |"
    yield "|" + "---|" * len(head)
    for row in rows:
        yield f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in row)} |"


_TABLES = {model for _, model in SECTIONS} | {Expect}
