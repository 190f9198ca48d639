"""The page: everything about one run in one HTML file, with styles, scripts and the chart library inside."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.show import units
from simfs.show.map.svg import as_svg
from simfs.show.rows.sections import all_sections
from simfs.show.sheet import blocks
from simfs.show.sheet.charts import Chart
from simfs.show.sheet.distributions import LimitBand, erase_chart, stall_chart
from simfs.show.sheet.making import rendered
from simfs.show.sheet.over_time import amplification_chart, room_chart
from simfs.show.sheet.wearing import WEARER_HEADERS, wearer_rows, wearers_chart
from simfs.show.text import judged
from simfs.show.verdict import verdict_of
from simfs.study.flash_map import FlashMap
from simfs.study.run.aftermath import Aftermath
from simfs.study.run.expect import Verdict
from simfs.study.run.figures import Figures, TaskShare
from simfs.study.run.timeline import Sample
from simfs.study.wearers.report import Wearers

NAME_SIGNS = 120
DEADLINE = "write_stall_max"
FAILURES_SHOWN = 100


@dataclass(frozen=True, slots=True)
class Told:
    """What a sheet tells of a run. None and empty is what does not apply, or was not noted."""

    figures: Figures
    verdicts: tuple[Verdict, ...]
    aftermath: Aftermath
    samples: tuple[Sample, ...] = ()
    wearers: Wearers | None = None
    limits: LimitBand | None = None
    flash_map: FlashMap | None = None


def run_page(told: Told) -> str:
    """The whole page. All text from outside is escaped, and nothing on it asks the network."""
    charts = _charts(told)
    return rendered(
        "run.html",
        charts,
        title=units.plain(told.figures.subject.title, NAME_SIGNS),
        heading=_heading(told),
        verdict=verdict_of(told.figures, told.verdicts),
        all_met=all(verdict.met for verdict in told.verdicts),
        expectations=[_expectation(verdict) for verdict in told.verdicts],
        wear=_wear(told),
        block_headers=blocks.HEADERS,
        wearer_headers=WEARER_HEADERS,
        wearers=wearer_rows(told.wearers) if told.wearers else [],
        task_rows=_tasks(told.figures),
        files=[(units.plain(name, NAME_SIGNS), units.size(size)) for name, size in told.aftermath.files],
        file_count=told.aftermath.file_count,
        failures=_failures(told.figures),
        sections=[*all_sections(told.figures)],
        flash_map=as_svg(told.flash_map) if told.flash_map else "",
    )  # fmt: skip


def _charts(told: Told) -> list[Chart]:
    figures, samples = told.figures, told.samples
    deadline = next((verdict.limit for verdict in told.verdicts if verdict.name == DEADLINE), None)
    found = [
        room_chart(figures, samples) if samples else None,
        amplification_chart(figures, samples) if samples else None,
        stall_chart(figures.stalls, deadline if isinstance(deadline, int) else None) if figures.stalls else None,
        erase_chart(figures.wear.erase_counts, figures.life.rated_cycles if figures.life else None, told.limits)
        if figures.wear
        else None,
        wearers_chart(told.wearers) if told.wearers else None,
    ]
    return [chart for chart in found if chart is not None]


def _heading(told: Told) -> list[str]:
    subject = told.figures.subject
    ran = f"{units.time(subject.duration_ns)} of device time{units.from_moment(subject.start_ns)}"
    return [
        f"{subject.kind} {units.plain(subject.source, NAME_SIGNS)}: {ran}, "
        f"{units.counted(subject.operations, 'operation')}",
        units.stands_on(
            subject.part, subject.block_count, subject.block_bytes, subject.settings, subject.region_start_bytes
        ),
    ]


def _expectation(verdict: Verdict) -> tuple[bool, str, str, str]:
    measured, wanted = judged(verdict)
    return verdict.met, verdict.name, measured, wanted


def _wear(told: Told) -> blocks.WearMap | None:
    wear = told.figures.wear
    return blocks.wear_map(told.aftermath.blocks, wear.erases_in_run) if wear and told.aftermath.blocks else None


def _tasks(figures: Figures) -> list[tuple[str, ...]]:
    busy_ns = max(1, sum(share.busy_ns for share in figures.tasks))
    return [_task(share, busy_ns) for share in sorted(figures.tasks, key=lambda share: -share.busy_ns)]


def _task(share: TaskShare, busy_ns: int) -> tuple[str, ...]:
    return (
        units.plain(share.name, NAME_SIGNS),
        f"{share.operations:,}",
        f"{share.refused:,}",
        units.size(share.host_bytes),
        units.size(share.program_bytes),
        f"{share.programs:,}",
        f"{share.erases:,}",
        units.percent(100 * share.busy_ns / busy_ns),
    )


def _failures(figures: Figures) -> list[tuple[str, ...]]:
    """What was refused, with the operation and the moment of the first time."""
    start_ns = figures.subject.start_ns
    return [
        (
            units.moment(start_ns + one.first_at_ns) if start_ns else units.into_the_run(one.first_at_ns),
            units.plain(one.task, NAME_SIGNS),
            one.operation,
            units.plain(one.name, NAME_SIGNS),
            one.error,
            f"{one.count:,}",
        )
        for one in sorted(figures.trouble.refusals, key=lambda refusal: refusal.first_at_ns)[:FAILURES_SHOWN]
    ]
