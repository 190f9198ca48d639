"""The sheet of `simfs run`: what follows the run for it, and writing it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from simfs.cli.exits import Refused
from simfs.cli.options.limits import Command, spelt, weibull_options
from simfs.cli.sheets.tables_sheet import check_libraries, save_page

if TYPE_CHECKING:
    from simfs.replay.device.device import Run
    from simfs.replay.device.observer import Observer
    from simfs.show.sheet.distributions import LimitBand
    from simfs.study.flash_map import FlashMap
    from simfs.study.run.expect import Verdict
    from simfs.study.run.figures import Figures
    from simfs.study.run.timeline import Timeline
    from simfs.study.wearers.charging import Charging
    from simfs.study.wearers.report import Wearers

LIMITS = ("scale_cycles", "shape")


def sheet_options(command: Command) -> Command:
    """Add to a command the options of a sheet."""
    page = click.option(
        "--sheet", metavar="PAGE", help="Save everything about the run in this file, as a page for a browser."
    )
    return page(weibull_options(command))


class RunSheet:
    """The sheet that the options ask for; `path` is None where they ask for none. Takes its options out of those given,
    and refuses, before the run, what can't be made."""

    def __init__(self, options: dict[str, Any]) -> None:
        self.path: str | None = options.pop("sheet")
        given = {name: value for name in LIMITS if (value := options.pop(name)) is not None}
        if self.path is None and given:
            raise Refused(
                f"{spelt(next(iter(given)))}: it is for the erase counts on a sheet; give a file with --sheet"
            )
        if len(given) == 1:
            raise Refused(f"{spelt(next(iter(given)))}: give {' and '.join(map(spelt, LIMITS))} together")
        if self.path is not None:
            check_libraries()
        self._limits = _band(given) if given else None
        self._timeline: Timeline | None = None
        if self.path is not None:
            from simfs.study.run.timeline import Timeline

            self._timeline = Timeline()

    @property
    def observers(self) -> list[Observer]:
        """What follows the run for it."""
        return [] if self._timeline is None else [self._timeline]

    def save(self, run: Run, taken: Figures, verdicts: tuple[Verdict, ...], wearers: Wearers | None) -> list[str]:
        """Write the sheet. Returns what went wrong."""
        if self.path is None:
            return []
        from simfs.show.sheet.page import Told, run_page
        from simfs.study.run.aftermath import aftermath

        samples = self._timeline.samples() if self._timeline else ()
        wearers = wearers if wearers and wearers.wearers else None
        told = Told(taken, verdicts, aftermath(run), samples, wearers, self._limits, _flash_map(run.source))
        fault = save_page(self.path, run_page(told))
        return [fault] if fault else []


def charging_of(wanted: bool, sheet: RunSheet) -> list[Charging]:
    """What follows a run and charges its wear: where somebody wants it, or for a sheet of a store on flash."""
    if not wanted and sheet.path is None:
        return []
    from simfs.study.wearers.charging import Charging

    return [Charging(optional=not wanted)]


def _band(limits: dict[str, Any]) -> LimitBand:
    import math

    from simfs.show.sheet.distributions import LimitBand
    from simfs.study.fleet.limit_laws import WeibullLimits

    try:
        law = WeibullLimits(limits["scale_cycles"], limits["shape"])
    except ValueError as error:
        raise Refused(f"the limits of the blocks: {error}") from None
    return LimitBand("Weibull", law.cycles_at(math.log(0.9)), law.cycles_at(math.log(0.1)))


def _flash_map(source: str) -> FlashMap | None:
    """The map of a scenario with regions."""
    from simfs.replay.scenario.input_faults import BadScenario
    from simfs.replay.scenario.load import load_scenario
    from simfs.study.flash_map import flash_map

    if not source.endswith(".toml"):
        return None
    try:
        scenario = load_scenario(source)
    except (OSError, BadScenario):  # it went away, or changed, while it ran
        return None
    return flash_map(scenario, source) if scenario.region else None
