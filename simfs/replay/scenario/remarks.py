"""What a scenario says without effect: it can be played, but its author may have meant something else."""

from __future__ import annotations

from collections.abc import Iterator
from math import prod
from pathlib import Path

from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.scenario.input_faults import Fault
from simfs.replay.scenario.patterns import CLOCK, Pattern
from simfs.replay.scenario.quantities import format_duration
from simfs.replay.scenario.tables import OF_ANY_KIND, Scenario
from simfs.replay.scenario.tasks import Boot, Content, Growing
from simfs.replay.scenario.toml_lines import Path as KeyPath
from simfs.replay.scenario.toml_lines import key_lines, line_of, spell

Found = Iterator[tuple[KeyPath, str]]

_PARTS_OF_DATE = {"month": 12, "day": 31}


def remarks(scenario: Scenario, path: str | Path, *, ends: bool = True) -> list[Fault]:
    """What has no effect in a sound scenario, in the order of the lines of its file at `path`; `ends` says whether the
    scenario is played to the end of its run and no further. `OSError` where the file can't be read."""
    lines = key_lines(Path(path).read_text(encoding="utf-8-sig").replace("\r\n", "\n"))
    idle_tasks = _idle_tasks(scenario) if ends else ()
    found = [*_unused_readings(scenario), *idle_tasks, *_idle_keeps(scenario), *_settings_of_flash(scenario)]
    found += _idle_absences(scenario) if ends else ()
    told = [Fault(str(path), line_of(lines, where), spell(where), what) for where, what in found]
    return sorted(told, key=lambda one: one.line)


def _unused_readings(scenario: Scenario) -> Found:
    used = {
        field
        for task in scenario.task
        for operation in task.operations
        if isinstance(operation, Content) and operation.text is not None
        for field in operation.text.fields
    }
    for name in scenario.values:
        if name not in used:
            yield (
                ("values", name),
                f"no text writes {{{name}}}, so this has no effect; write it, or leave the table out",
            )


def _settings_of_flash(scenario: Scenario) -> Found:
    if scenario.store.kind == "card":
        for key in sorted(scenario.store.model_fields_set - OF_ANY_KIND):
            yield ("store", key), "it is for a store on flash, and this one is on a card, so this has no effect"


def _idle_absences(scenario: Scenario) -> Found:
    start_ns, end_ns = scenario.run.start, scenario.run.start + scenario.run.duration
    for number, out in enumerate(scenario.card_out):
        for absence in out.absences(start_ns):
            first_ns = absence.next_ns(start_ns)
            if first_ns is None or first_ns >= end_ns:
                when = "before the run" if first_ns is None else "when the run is over"
                key = "at" if out.every is None else "first"
                yield (
                    ("card_out", number, key),
                    f"the card is taken out {when}, so this has no effect; write a moment in it",
                )


def _idle_tasks(scenario: Scenario) -> Found:
    duration, start = scenario.run.duration, scenario.run.start
    for at, task in enumerate(scenario.task):
        first_ns = task.first
        if task.daily:
            first_ns = min((time - start) % NS_PER_DAY for time in task.daily)
        if first_ns > duration:
            what = f"its first run comes {format_duration(first_ns)} after the start, when the run is over"
            key = "daily" if task.daily else "first"
            yield ("task", at, key), f"{what}; write a longer run.duration if this run is to show its work"


def _idle_keeps(scenario: Scenario) -> Found:
    boots = any(isinstance(operation, Boot) for task in scenario.task for operation in task.operations)
    for at, task in enumerate(scenario.task):
        for position, operation in enumerate(task.operations):
            if isinstance(operation, Growing) and operation.keep is not None:
                why = _why_idle(operation, operation.keep, boots)
                if why:
                    path: KeyPath = ("task", at, "operations", position, "keep")
                    yield path, f"it never removes a file, since {why}"


def _why_idle(operation: Growing, keep: int, boots: bool) -> str:
    if operation.only_if == "present":
        return 'only_if = "present" begins none; leave one of the two out'
    names = _names_most(operation.file, boots)
    if names is None or names > keep:
        return ""
    if names == 1:
        return "the name is always the same; write a placeholder in it, such as {date}, or leave keep out"
    return f"there are only {names:,} such names; write a keep below that, or {{date}} in the name"


def _names_most(pattern: Pattern, boots: bool) -> int | None:
    """How many names a pattern can give at most; None for any number."""
    endless = {"date", "year", "counter", *(["boot"] if boots else [])}
    if pattern.fields & endless:
        return None
    return prod(_PARTS_OF_DATE.get(field) or CLOCK[field].cycle for field in pattern.fields - {"boot"})
