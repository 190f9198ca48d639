"""The report on the end of a device's life, on one screen."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from tabulate import tabulate

from simfs.replay.device.clock import NS_PER_YEAR
from simfs.replay.device.notes import Refusal
from simfs.show import MORE_ROOM, WHOSE, units
from simfs.study.life.end_of_life import EndOfLife
from simfs.study.life.report import LifeReport
from simfs.study.run.region_wear import first_worn

COLUMNS = 100
NOTE_WIDTH = 78
NAME_WIDTH = 40
TASKS_SHOWN = 8
ASKED = {
    "rated": "to the first block at its rated cycles",
    "limit": "to the first block at its true limit",
    "full": "until the store can't hold its data any more",
}


def as_text(report: LifeReport) -> str:
    """The whole report, without a line end."""
    life = report.life
    heading = "\n".join(textwrap.fill(line, COLUMNS, break_on_hyphens=False) for line in heading_lines(report))
    parts = [heading, _table([*figure_lines(report)])]
    if life.erases_by_task:
        parts.append(_tasks(life))
    return "\n\n".join([*parts, *verdicts(report)])


def verdicts(report: LifeReport) -> Iterator[str]:
    """What becomes of what the scenario expects, a line each; none where it expects nothing of a life."""
    if report.lasts is not None and report.life_min_ns is not None:
        met = "met" if report.lasts else "! NOT MET"
        yield f"expected life_min {units.time(report.life_min_ns)}: {met}"
    first = report.life.first_refused
    if report.is_refused and first is not None:
        advice = MORE_ROOM if first.error == "ENOSPC" else ""
        yield f"expected refused_max 0: ! NOT MET. {advice}".rstrip()


def heading_lines(report: LifeReport) -> list[str]:
    """The title, what was carried on and how far, and on what."""
    blocks = units.counted(report.block_count, "block")
    return [
        units.plain(report.title, COLUMNS),
        f"scenario {units.plain(report.source)}, carried on {ASKED[report.life.until]}",
        f"flash {report.part}: {blocks}",
        WHOSE,
    ]


def _table(lines: list[tuple[str, str]]) -> str:
    rows = [(figure, textwrap.fill(text, NOTE_WIDTH, break_on_hyphens=False)) for figure, text in lines]
    return tabulate(rows, tablefmt="plain", disable_numparse=True)


def figure_lines(report: LifeReport) -> Iterator[tuple[str, str]]:
    """Each figure with its text; the first says when the life ends."""
    yield from _lines(report)
    yield from _regions(report)


def _lines(report: LifeReport) -> Iterator[tuple[str, str]]:
    life = report.life
    if life.at_ns is None:
        yield "ends", f"never: {_never(life)}"
    else:
        yield "ends", f"after {_span(life.at_ns)}, on {life.clock.partition('.')[0]}{_beyond(life)}"
        yield "because", _because(life)
        if life.operation:
            yield "in", f"{life.operation} {units.plain(life.name)}"
    if life.block is not None:
        yield "worn by", f"task {units.plain(life.task)}" if life.task else "no task"
    if life.first_refused is not None and life.end != "full":
        yield ("refused" if report.expects_refusals else "! refused"), _refused(life, life.first_refused)
    least, most = min(life.erase_counts), max(life.erase_counts)
    then = "" if life.exact else ", at the time of the projection"
    yield "all blocks", f"{least:,} to {most:,} erases, {life.erases:,} together{then}"
    yield "device wrote", f"{units.size(life.host_bytes)} in {units.counted(life.operations, 'operation')}"
    yield "how", _how(life)


def _regions(report: LifeReport) -> Iterator[tuple[str, str]]:
    """What the firmware erases by itself wears too, whatever the store does."""
    for region in report.regions:
        until = f"after {_span(region.life_ns)} its blocks have had {region.rated_cycles:,} erases, their rated limit"
        yield f'region "{units.plain(region.name, NAME_WIDTH)}"', until
    first, at_ns = first_worn(report.regions), report.life.at_ns
    if first is not None and report.life.until == "rated" and (at_ns is None or first.life_ns < at_ns):
        yield "first of all", f'the region "{units.plain(first.name, NAME_WIDTH)}", before the store'


def _span(time_ns: int) -> str:
    return f"{units.number(time_ns / NS_PER_YEAR)} years" if time_ns >= NS_PER_YEAR else units.time(time_ns)


def _beyond(life: EndOfLife) -> str:
    return ", past the year 9999 where many clocks end" if life.past_year_9999 else ""


def _never(life: EndOfLife) -> str:
    if life.full_ns is not None:
        full = f"the store is full. It refused the first write after {_span(life.full_ns)}"
        return f"{full}, and in the end every one, so nothing wears any more"
    idle = life.why_never == "idle" or not life.erases
    return "nothing wears any more" if idle else f"not within {_span(life.simulated_ns + life.skipped_ns)}"


def _refused(life: EndOfLife, first: Refusal) -> str:
    of = f"{life.refused:,} of {units.counted(life.operations, 'operation')}"
    which = f"{first.operation} {units.plain(first.name, NAME_WIDTH)} by task {units.plain(first.task, NAME_WIDTH)}"
    return f"{of}; the first after {_span(first.first_at_ns)}: {which}, {first.error}"


def _because(life: EndOfLife) -> str:
    if life.end == "full":
        return (
            f"the store refused a write; the most worn block, {life.block}, had {units.counted(life.cycles, 'erase')}"
        )
    has, limit = "has" if life.exact else "will have", "rated" if life.end == "rated" else "true"
    return f"block {life.block} {has} had {units.counted(life.cycles, 'erase')}, its {limit} limit"


def _how(life: EndOfLife) -> str:
    if not life.exact:
        return (
            f"projected from {_span(life.simulated_ns)} that were carried out; leave out --quick for the exact answer"
        )
    if not life.skipped_periods:
        return "exact: every operation was carried out"
    return (
        f"exact: {_span(life.simulated_ns)} were carried out, then {units.counted(life.skipped_periods, 'period')} of "
        f"{_span(life.period_ns)} that repeat it skipped"
    )


def task_table(life: EndOfLife) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Headers and rows of who wore the flash, the most first."""
    shares = sorted(life.erases_by_task.items(), key=lambda share: -share[1])
    block_erases = max(1, sum(life.block_erases_by_task.values()))
    rows: list[tuple[str, ...]] = [
        (
            units.plain(task, NAME_WIDTH), f"{erases:,}", f"{life.block_erases_by_task.get(task, 0):,}",
            units.percent(100 * life.block_erases_by_task.get(task, 0) / block_erases),
        )
        for task, erases in shares
    ]  # fmt: skip
    headers = ("task", "erases", f"of block {life.block}", "share")
    shown = 2 if life.block is None else len(headers)
    return headers[:shown], [row[:shown] for row in rows]


def _tasks(life: EndOfLife) -> str:
    headers, rows = task_table(life)
    aligned = ("left", *["right"] * (len(headers) - 1))
    text = tabulate(rows[:TASKS_SHOWN], headers, disable_numparse=True, colalign=aligned)
    rest = len(rows) - TASKS_SHOWN
    return f"{text}\n{units.counted(rest, 'more task')} with --json" if rest > 0 else text
