"""Charts of distributions: how long writes wait, and how often blocks were erased."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from simfs.show import units
from simfs.show.sheet.charts import Chart, Trace, axis, band, bars, layout, upright
from simfs.show.sheet.palette import BLUE, GREEN, ORANGE, RED
from simfs.study.run.device_figures import Stalls

BINS_OF_TEN = 8  # bins of a decade
BINS_MAX = 24
WIDTH_SHARE = 0.9  # of a bin that its bar takes
NS_PER_MS = 1_000_000


@dataclass(frozen=True, slots=True)
class LimitBand:
    """Erases between which most blocks reach their true limit: the first tenth below, the last tenth above."""

    law: str
    first_cycles: float
    last_cycles: float


def stall_chart(stalls: Stalls, deadline_ns: int | None) -> Chart | None:
    """How many writes waited how long, with the deadline where the scenario has one."""
    waited = {ns: count for ns, count in stalls.writes_by_busy_ns.items() if ns}
    if not waited:
        return None
    bins: Counter[int] = Counter()
    for ns, count in waited.items():
        bins[math.floor(math.log10(ns) * BINS_OF_TEN)] += count
    edges = [(10 ** (at / BINS_OF_TEN), 10 ** ((at + 1) / BINS_OF_TEN)) for at in sorted(bins)]
    middles, widths = _on_log_axis([(low / NS_PER_MS, high / NS_PER_MS) for low, high in edges])
    counts, top = [bins[at] for at in sorted(bins)], max(bins.values()) * 2
    texts = [f"{units.time(round(low))} to {units.time(round(high))}" for low, high in edges]
    data = [
        bars(middles, counts, "writes", BLUE, width=widths)
        | {"hovertext": texts, "hovertemplate": "%{hovertext}<br>%{y:,} writes<extra></extra>"},
        upright(stalls.per_mille_999_ns / NS_PER_MS, top, "99.9 % wait no longer", GREEN, "dot", 0.5),
    ]
    reach = _log_range(edges[0][0] / NS_PER_MS, max(edges[-1][1], deadline_ns or 1) / NS_PER_MS)
    told = f"Of {stalls.count:,} writes 99.9 % wait {units.time(stalls.per_mille_999_ns)} or less, the longest "
    told += f"{units.time(stalls.longest_ns)}, at typical times."
    if deadline_ns is not None:
        data.append(upright(deadline_ns / NS_PER_MS, top, "deadline", RED, "dash", 0.5))
        kept = "No write waits longer than" if stalls.longest_ns <= deadline_ns else "Some wait longer than"
        told += f" {kept} the deadline of {units.time(deadline_ns)}."
    return Chart(
        key="stalls",
        title="How long writes wait",
        told=told,
        data=data,
        layout=layout(axis("ms, flash busy", type="log", dtick=1, range=reach), axis("writes", type="log", dtick=1)),
        headers=("waits", "writes"),
        rows=[(text, f"{count:,}") for text, count in zip(texts, counts, strict=True)],
        points=[f"{text}: {units.counted(count, 'write')}" for text, count in zip(texts, counts, strict=True)],
    )


def erase_chart(erase_counts: Sequence[int], rated_cycles: int | None, limits: LimitBand | None) -> Chart:
    """How many blocks were erased how often since they were new, far from or near to what they last."""
    low, high = max(min(erase_counts), 1), max(*erase_counts, 1)
    width = -(-(high - low + 1) // BINS_MAX)
    bins = Counter((count - low) // width for count in erase_counts if count)
    starts = [low + at * width for at in sorted(bins)]
    counts = [bins[at] for at in sorted(bins)]
    texts = [f"{start:,}" if width == 1 else f"{start:,} to {start + width - 1:,}" for start in starts]
    edges = [(start - 0.5, start + width - 0.5) for start in starts]
    middles, widths = _on_log_axis(edges)
    top = max(counts, default=1) * 1.1
    last = max(high, rated_cycles or 1, limits.last_cycles if limits else 1)
    data: list[Trace] = [
        bars(middles, counts, "blocks", BLUE, width=widths)
        | {"hovertext": texts, "hovertemplate": "%{hovertext} erases<br>%{y:,} blocks<extra></extra>"}
    ]
    if limits is not None:
        name = f"{limits.law}: 80 % of blocks fail here"
        data.append(band(limits.first_cycles, limits.last_cycles, top, name, ORANGE))
    if rated_cycles is not None:
        data.append(upright(rated_cycles, top, "rated cycles", RED, "dash"))
    return Chart(
        key="erases",
        title="Erases of the blocks",
        told=_erases_told(erase_counts, rated_cycles, limits),
        data=data,
        layout=layout(
            axis("erases of a block since new", type="log", dtick=_ticks(low, last), range=_log_range(low - 0.5, last)),
            axis("blocks", rangemode="tozero"),
        ),
        headers=("erases", "blocks"),
        rows=_with_unerased(erase_counts, texts, counts),
        points=[f"{text} erases: {units.counted(count, 'block')}" for text, count in zip(texts, counts, strict=True)],
    )


def _on_log_axis(edges: Sequence[tuple[float, float]]) -> tuple[list[float], list[float]]:
    """Middles and widths of bars between these edges, as Plotly takes them on a logarithmic axis."""
    return [(low + high) / 2 for low, high in edges], [WIDTH_SHARE * (high - low) for low, high in edges]


def _ticks(low: float, high: float) -> int | str:
    """Ticks of a logarithmic axis: the decades, or every digit where there may be no decade to see."""
    return 1 if high >= 10 * low else "D1"


def _log_range(low: float, high: float) -> list[float]:
    """The range of a logarithmic axis with some air on both sides."""
    return [math.log10(low) - 0.1, math.log10(high) + 0.1]


def _with_unerased(erase_counts: Sequence[int], texts: Sequence[str], counts: Sequence[int]) -> list[tuple[str, ...]]:
    unerased = erase_counts.count(0)
    rows: list[tuple[str, ...]] = [(text, f"{count:,}") for text, count in zip(texts, counts, strict=True)]
    return [("0", f"{unerased:,}"), *rows] if unerased else rows


def _erases_told(erase_counts: Sequence[int], rated_cycles: int | None, limits: LimitBand | None) -> str:
    told = f"{len(erase_counts):,} blocks were erased {min(erase_counts):,} to {max(erase_counts):,} times"
    if rated_cycles is not None:
        share = units.percent(100 * max(erase_counts) / rated_cycles)
        told += f"; the hottest has had {share} of its {rated_cycles:,} rated cycles"
    if limits is None:
        return told + ". No law of true limits was given (--scale-cycles and --shape)."
    first, last = f"{limits.first_cycles:,.0f}", f"{limits.last_cycles:,.0f}"
    return (
        f"{told}. By the {limits.law} law a tenth of the blocks fails before {first} erases, nine tenths before {last}."
    )
