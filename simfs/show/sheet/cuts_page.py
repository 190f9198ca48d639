"""The page of a campaign of power cuts: whether the store keeps its promises, what the firmware finds of its files, and
which of its ways to save them cost something."""

from __future__ import annotations

from simfs.show import units
from simfs.show.cuts import (
    LIMITS,
    LOSSES,
    NO_CAUSE,
    cause_lines,
    figures_of,
    harm,
    heading_lines,
    kept,
    kinds_of,
    losses,
    where_cut,
    worst_first,
)
from simfs.show.sheet.charts import Chart, axis, bars, layout, markup_free
from simfs.show.sheet.making import rendered
from simfs.show.sheet.palette import HATCHINGS, SERIES
from simfs.show.sheet.tables import NAME_SIGNS, Table
from simfs.study.cuts.firmware.consequences import FileFindings
from simfs.study.cuts.report import CutReport

FILES_MAX = 200


def cuts_page(report: CutReport) -> str:
    """The page, with the figures that the report in text has."""
    title, *lines, _ = heading_lines(report.subject)
    told = report.consequences
    files = worst_first(told)[:FILES_MAX]
    broken = [(units.plain(f"{one.promise}: {one.what}", NAME_SIGNS), one.repeat) for one in report.broken]
    tables = [Table("Broken promises", ["what", "to repeat it"], [[*one] for one in broken], 2)] if broken else []
    if files:
        tables.append(_table(files, told.states))
    causes = [*cause_lines(told.causes)]
    rest = len(told.files) - len(files)
    return rendered(
        "tables.html",
        [_found(files, told.states)] if files else [],
        title=title,
        heading=[*lines, where_cut(report)],
        outcome=[
            (not report.broken, kept(report)),
            *((False, cause) for cause in causes),
            *([] if causes else [(True, NO_CAUSE)]),
        ],
        tables=tables,
        notes=[
            *([f"Shares are of all cut states. {losses(told.lost)}"] if files else []),
            *([f"{units.counted(rest, 'more file')} with --json."] if rest > 0 else []),
            LIMITS,
        ],
        flash_map="",
    )


def _table(files: list[FileFindings], states: int) -> Table:
    kinds = kinds_of(files)
    headers = ["the firmware finds", *(f"{kind}, %" for kind in kinds), *(f"lost at {most}" for most in LOSSES)]
    rows = [[units.plain(file.name, NAME_SIGNS), *figures_of(file, kinds, states)] for file in files]
    return Table("What the firmware finds", headers, rows, 1)


def _found(files: list[FileFindings], states: int) -> Chart:
    """What is found of each file, in percent of the states."""
    kinds, names = kinds_of(files), [units.plain(file.name, NAME_SIGNS) for file in files]
    places = [*range(len(files))]
    hurt = sum(1 for file in files if harm(file))
    shares = {kind: [100 * file.states.get(kind, 0) / states for file in files] for kind in kinds}
    return Chart(
        key="found",
        title="What is found of each file",
        told=f"{hurt:,} of {units.counted(len(files), 'file')} lose something in some state.",
        data=[
            bars(places, shares[kind], kind, SERIES[at % len(SERIES)], HATCHINGS[at % len(HATCHINGS)])
            for at, kind in enumerate(kinds)
        ],
        layout=layout(
            axis("", tickvals=places, ticktext=[markup_free(name) for name in names]),
            axis("percent of the cut states", range=[0, 100]),
            barmode="stack",
        ),
        headers=("file", *(f"{kind}, %" for kind in kinds)),
        rows=[
            (name, *(f"{shares[kind][place]:.1f}" for kind in kinds)) for name, place in zip(names, places, strict=True)
        ],
        points=[
            f"{name}: " + ", ".join(f"{kind} {shares[kind][place]:.1f} %" for kind in kinds)
            for name, place in zip(names, places, strict=True)
        ],
    )
