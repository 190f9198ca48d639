"""From a TOML file to a `Scenario`: every fault at once, each with its line, its path and what would be right."""

from __future__ import annotations

import codecs
import json
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import TypeAdapter, ValidationError

from simfs.replay.scenario.chip_map import with_store_placed
from simfs.replay.scenario.crosschecks import cross_faults
from simfs.replay.scenario.expectations import Expect
from simfs.replay.scenario.input_faults import BadScenario, Fault, model_faults
from simfs.replay.scenario.tables import Scenario
from simfs.replay.scenario.toml_lines import Path as KeyPath
from simfs.replay.scenario.toml_lines import key_lines, line_of, spell

FILE_BYTES_MAX = 1 << 20
NO_TEXT = "it is no text; give a scenario, or look into an image of a flash with `simfs image explain`"
UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)

Found = tuple[KeyPath, str]
"""The path to a fault, and what is wrong there."""

NO_WORK = "it describes a device and no work; write [[task]] and [run], or give it to a recording with --device"

_LIKE_A_DATE = re.compile(r"=\s*\d+-\d+-\d+")
_LINE_IN_MESSAGE = re.compile(r" \(at line (\d+), column \d+\)")


class Findings(NamedTuple):
    """The faults of a scenario, each with its path: those within one of its tables, and those between tables."""

    within: list[Found]
    between: list[Found]


def load_scenario(path: str | Path, kind: type[Scenario] = Scenario) -> Scenario:
    """The scenario in a TOML file; `kind` says what it must have. `BadScenario` has every fault; `OSError` where the
    file can't be read."""
    return parse_scenario(_bytes_of(path), str(path), kind)


def load_table(path: str | Path, kind: type[Scenario] = Scenario) -> dict[str, Any]:
    """The table of a sound scenario's TOML file, to be changed and given to `scenario_of`. Fails as `load_scenario`
    does."""
    raw = _bytes_of(path)
    parse_scenario(raw, str(path), kind)
    return tomllib.loads(_text_of(raw, str(path)))


def parse_scenario(raw: bytes, source: str, kind: type[Scenario] = Scenario) -> Scenario:
    """The scenario in the bytes of a TOML file; `source` is the file's name in faults."""
    text = _text_of(raw, source)
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadScenario([_syntax_fault(str(error), text, source)]) from None
    except ValueError:  # Python reads no decimal number of more than 4300 digits
        number = re.search(r"[0-9](_?[0-9]){4300}", text)
        line = text.count("\n", 0, number.start() if number else 0) + 1
        raise BadScenario([Fault(source, line, "a number", "it has too many digits; write a smaller one")]) from None
    except RecursionError:
        what = "it is nested too deeply; write tables, as [chip]"
        raise BadScenario([Fault(source, 1, "the whole file", what)]) from None
    found = scenario_of(table, kind)
    if isinstance(found, Scenario):
        return found
    lines = key_lines(text)
    faults = [Fault(source, line_of(lines, path), spell(path), what) for path, what in found.within + found.between]
    raise BadScenario(faults)


def scenario_of(table: dict[str, Any], kind: type[Scenario] = Scenario) -> Scenario | Findings:
    """The scenario that a table holds, or everything that is wrong with it."""
    try:
        scenario = kind.model_validate(table)
    except ValidationError as error:
        within = model_faults(error, kind, table)
        if kind is Scenario and table.keys() & {"chip", "store", "region"} and not table.keys() & {"run", "task"}:
            within = [*(fault for fault in within if fault[0] not in (("run",), ("task",))), (("task",), NO_WORK)]
        return Findings(within, list(cross_faults(_sound_sections(table, [path for path, _ in within]))))
    between = list(cross_faults(_sections(scenario)))
    return Findings([], between) if between else with_store_placed(scenario)


def check_expectations(table: Mapping[str, object], source: str) -> dict[str, object]:
    """A script's expectations, checked as an [expect] table is. `BadScenario` has every fault."""
    try:
        return Expect.model_validate(table).table()
    except ValidationError as error:
        found = model_faults(error, Expect, table)
        raise BadScenario([Fault(source, 1, spell(("expect", *path)), what) for path, what in found]) from None


def scenario_schema() -> str:
    """JSON Schema of a scenario, for editors that check and complete TOML."""
    return json.dumps(Scenario.model_json_schema(), indent=2, ensure_ascii=False)


def _bytes_of(path: str | Path) -> bytes:
    with Path(path).open("rb") as file:
        return file.read(FILE_BYTES_MAX + 1)


def _text_of(raw: bytes, source: str) -> str:
    if len(raw) > FILE_BYTES_MAX:
        what = f"it is larger than {FILE_BYTES_MAX} bytes; give a scenario, which is a short text"
        raise BadScenario([Fault(source, 1, "the whole file", what)])
    try:
        text = raw.decode("utf-8-sig").replace("\r\n", "\n")  # some editors put a mark of the encoding first
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        what = NO_TEXT if b"\0" in raw and not raw.startswith(UTF_16) else "it is not UTF-8 text; save it as UTF-8"
        raise BadScenario([Fault(source, line, "the whole file", what)]) from None
    if "\0" in text:
        raise BadScenario([Fault(source, text.count("\n", 0, text.index("\0")) + 1, "the whole file", NO_TEXT)])
    return text


def _syntax_fault(message: str, text: str, source: str) -> Fault:
    match = _LINE_IN_MESSAGE.search(message)
    line = int(match[1]) if match else text.rstrip().count("\n") + 1
    what = message[: match.start()] if match else message
    dated = _LIKE_A_DATE.search(text.split("\n")[line - 1])
    right = "a date that there is, such as 2031-04-05" if dated else "key = value, text in quotes"
    return Fault(source, line, "syntax", f"this is not TOML: {what}; write {right}")


def _sections(scenario: Scenario) -> dict[str, Any]:
    sections = {name: getattr(scenario, name) for name in Scenario.model_fields}
    return sections | {"task": list(enumerate(scenario.task))}


def _sound_sections(table: dict[str, Any], faulty: list[KeyPath]) -> dict[str, Any]:
    """The tables without faults, so that they can still be checked against each other."""
    sections: dict[str, Any] = {}
    for name, field in Scenario.model_fields.items():
        if name not in table or (name,) in faulty:
            continue
        adapter: TypeAdapter[Any] = TypeAdapter(field.rebuild_annotation())
        if name in ("task", "region"):
            bad = {path[1] for path in faulty if path[0] == name}
            each = [None if at in bad else adapter.validate_python([one])[0] for at, one in enumerate(table[name])]
            sound = [(at, one) for at, one in enumerate(each) if one is not None]
            sections[name] = sound if name == "task" else each
        elif all(path[:1] != (name,) for path in faulty):
            sections[name] = adapter.validate_python(table[name])
    defaults = {name: field.get_default() for name, field in Scenario.model_fields.items() if not field.is_required()}
    return {name: value for name, value in defaults.items() if name not in table} | sections
