"""Who wore the flash, as a chart and as a table."""

from __future__ import annotations

from simfs.show import units
from simfs.show.sheet.charts import Chart, axis, bars, layout, markup_free
from simfs.show.sheet.palette import HATCHINGS, SERIES
from simfs.show.wearers.table import name_shown, share
from simfs.store.tables.listener import Cause
from simfs.study.wearers.report import Wearer, Wearers

TASKS_SHOWN, ROWS_SHOWN = 12, 100
TASK_SIGNS, FILE_SIGNS = 30, 80
LABEL_SIGN_PX = 8
OTHERS = "(other tasks)"


def wearers_chart(wearers: Wearers) -> Chart | None:
    """The erases of each task, by kind; of bytes where nothing was erased."""
    by_task = _by_task(wearers)
    if not by_task:
        return None
    what = "erases" if wearers.erases > 0 else "KiB programmed"
    tasks = sorted(by_task, key=lambda task: sum(by_task[task].values()))
    shown = [units.plain(task, TASK_SIGNS) for task in tasks]
    numbers = list(range(len(tasks)))  # two tasks may look alike once they are cut
    data = [
        bars([round(by_task[task].get(kind, 0), 3) for task in tasks], numbers, kind, SERIES[at], HATCHINGS[at])
        | {"orientation": "h", "hovertemplate": f"%{{x:,.1f}} {what}<extra>{kind}</extra>"}
        for at, kind in enumerate(Cause)
        if any(kind in kinds for kinds in by_task.values())
    ]
    most = tasks[-1]
    total = sum(sum(kinds.values()) for kinds in by_task.values())
    return Chart(
        key="wearers",
        title="Who wore the flash",
        told=f"The task {units.plain(most, TASK_SIGNS)} caused most of it: "
        f"{share(sum(by_task[most].values()), total)} of {total:,.0f} {what}.",
        data=data,
        layout=layout(
            axis(what, rangemode="tozero"),
            axis("", tickvals=numbers, ticktext=[markup_free(task) for task in shown]),
            barmode="stack",
            height=150 + 34 * len(tasks),
            margin={"l": 24 + LABEL_SIGN_PX * max(map(len, shown)), "r": 16, "t": 64, "b": 48},
        ),
        headers=("task", *Cause),
        rows=[
            (units.plain(task, TASK_SIGNS), *(f"{by_task[task].get(kind, 0):,.1f}" for kind in Cause))
            for task in reversed(tasks)
        ],
        points=[],
    )


def _by_task(wearers: Wearers) -> dict[str, dict[str, float]]:
    """Erases of each task and kind, or KiB programmed; the tasks beyond the first few together."""
    found: dict[str, dict[str, float]] = {}
    for one in wearers.wearers:
        task = one.task if one.task in found or len(found) < TASKS_SHOWN else OTHERS
        kinds = found.setdefault(task, {})
        amount = one.erases if wearers.erases > 0 else one.programmed_bytes / 1024
        kinds[one.kind] = kinds.get(one.kind, 0) + amount
    return found


WEARER_HEADERS = ("task", "file", "kind", "programmed", "share", "erases", "share of erases")


def wearer_rows(wearers: Wearers) -> list[tuple[str, ...]]:
    """The most worn by, files of like names together; the last row has the rest."""
    alike = wearers.with_like_names().wearers
    rows = [_row(one, wearers) for one in alike[:ROWS_SHOWN]]
    if rest := alike[ROWS_SHOWN:]:
        programmed, millionths = sum(one.programmed_bytes for one in rest), sum(one.erases_millionths for one in rest)
        rows.append(_row(Wearer(f"{len(rest):,} more", "", "", programmed, millionths), wearers))
    return rows


def _row(one: Wearer, of: Wearers) -> tuple[str, ...]:
    return (
        units.plain(one.task, TASK_SIGNS),
        name_shown(one, FILE_SIGNS),
        one.kind,
        units.size(one.programmed_bytes),
        share(one.programmed_bytes, of.programmed_bytes),
        f"{one.erases:,.1f}",
        share(one.erases, of.erases),
    )
