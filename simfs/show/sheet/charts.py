"""The charts of a sheet: what Plotly draws, a sentence that says the same, and a table of what is behind it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

Trace = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Chart:
    """`told` says what the chart shows, for whoever does not see it; `rows` are its figures, in columns `headers`.
    `points` are what the arrow keys go through, one text each, for the first trace."""

    key: str
    title: str
    told: str
    data: list[Trace]
    layout: dict[str, Any]
    headers: tuple[str, ...]
    rows: list[tuple[str, ...]]
    points: list[str] = field(default_factory=list)


def axis(title: str, **more: Any) -> dict[str, Any]:
    """An axis with its title."""
    return {"title": {"text": title}, **more}


def layout(x: dict[str, Any], y: dict[str, Any], **more: Any) -> dict[str, Any]:
    """The layout that all charts share; its colours are those of the page."""
    return {
        "xaxis": x, "yaxis": y, "margin": {"l": 64, "r": 16, "t": 44, "b": 48}, "height": 340,
        "paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)", "font": {"family": "inherit", "size": 13},
        "legend": {"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0}, "hovermode": "closest", **more,
    }  # fmt: skip


def line(x: Sequence[float], y: Sequence[float | None], name: str, colour: str, *, dash: str = "solid") -> Trace:
    """A line, told apart by its dash as well."""
    return {
        "type": "scatter", "mode": "lines", "x": list(x), "y": list(y), "name": name,
        "line": {"color": colour, "width": 2, "dash": dash},
    }  # fmt: skip


def upright(x: float, top: float, name: str, colour: str, dash: str, bottom: float = 0) -> Trace:
    """An upright line at one value, from the bottom of the chart to its top."""
    return line([x, x], [bottom, top], name, colour, dash=dash) | {"hoverinfo": "name"}


def band(left: float, right: float, top: float, name: str, colour: str, bottom: float = 0) -> Trace:
    """A range of values as an area."""
    return {
        "type": "scatter", "mode": "lines", "x": [left, left, right, right], "y": [bottom, top, top, bottom],
        "fill": "toself", "fillcolor": f"{colour}33", "line": {"color": colour, "width": 1, "dash": "dot"},
        "name": name, "hoverinfo": "name",
    }  # fmt: skip


def bars(x: Sequence[Any], y: Sequence[float], name: str, colour: str, hatching: str = "", **more: Any) -> Trace:
    """Bars, told apart by their hatching as well."""
    pattern = {"shape": hatching, "fgcolor": "#ffffff", "bgcolor": colour}
    return {
        "type": "bar", "x": list(x), "y": list(y), "name": name,
        "marker": {"color": colour, "line": {"width": 0}, "pattern": pattern},
        **more,
    }  # fmt: skip


def markup_free(text: str) -> str:
    """Plotly takes some tags in a label for markup."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
