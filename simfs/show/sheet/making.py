"""Makes a page of its template: text from outside is escaped, and styles, scripts and the chart library stand in it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from simfs.show import WHOSE
from simfs.show.sheet.charts import Chart


def rendered(template: str, charts: Sequence[Chart], **values: Any) -> str:
    """The page. Without charts the library is left out."""
    page: str = (
        _templates()
        .get_template(template)
        .render(
            charts={chart.key: chart for chart in charts},
            drawn={chart.key: {"data": chart.data, "layout": chart.layout, "points": chart.points} for chart in charts},
            style=_own("sheet.css"),
            script=_own("sheet.js"),
            plotly=_plotly() if charts else "",
            whose=WHOSE,
            **values,
        )
    )
    return page


@cache
def _templates() -> Environment:
    loader = PackageLoader("simfs.show.sheet")
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)


@cache
def _own(name: str) -> str:
    return files("simfs.show.sheet").joinpath("templates", name).read_text("utf-8")


@cache
def _plotly() -> str:
    """The chart library's script, which the package `plotly` brings along."""
    return files("plotly").joinpath("package_data", "plotly.min.js").read_text("utf-8")
