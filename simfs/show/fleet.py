"""The report on a fleet, on one screen."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from tabulate import tabulate

from simfs.replay.device.clock import NS_PER_YEAR
from simfs.show import WHOSE, units
from simfs.study.fleet.limit_laws import LognormalLimits, WeibullLimits
from simfs.study.fleet.lost_store import SampledLosses
from simfs.study.fleet.order_statistics import Sampled
from simfs.study.fleet.report import FleetReport

COLUMNS = 100
BETTER_PACE = {
    "scenario": "--carry-on 100",
    "recording": "A recording that goes on for longer (--for)",
    "script": "A longer script",
}
ERASES_FEW = 30  # of the hottest block: a pace from fewer is rough


def as_text(report: FleetReport) -> str:
    """The whole report, without a line end."""
    parts = [
        "\n".join(_filled(line) for line in heading_lines(report)),
        _table(report),
        "\n".join(_filled(note) for note in notes_of(report)),
    ]
    if report.kept:
        parts.append("\n".join(_filled(line) for line in kept_lines(report)))
    if report.life_min_ns is not None:
        parts.append(verdict(report, report.life_min_ns))
    return "\n\n".join(parts)


def _filled(text: str) -> str:
    return textwrap.fill(text, COLUMNS, break_on_hyphens=False)


def heading_lines(report: FleetReport) -> list[str]:
    """The title, what is worn by what, and whose figures they are."""
    wear = report.wear
    blocks = units.counted(wear.block_count, "block")
    each = f"{units.number(wear.erases_min)} to {units.number(wear.erases_max)}"
    return [
        units.plain(report.title, COLUMNS),
        f"fleet of devices that all do the same as {report.kind} {units.plain(report.source)}",
        f"flash {report.part}: {blocks}, rated {wear.rated_cycles:,} cycles; limits: {_law(report)}",
        f"wear: {each} erases of a block in {units.time(wear.over_ns)} ({wear.source})",
        WHOSE,
    ]


def _law(report: FleetReport) -> str:
    law = report.law
    if isinstance(law, WeibullLimits):
        return f"Weibull, scale {units.number(law.scale_cycles)} cycles, shape {law.shape:g}"
    assert isinstance(law, LognormalLimits)
    return f"lognormal, median {units.number(law.median_cycles)} cycles, sigma {law.sigma:g}"


def _table(report: FleetReport) -> str:
    headers, rows = share_table(report)
    return tabulate(rows, headers, disable_numparse=True, preserve_whitespace=True, colalign=("left", *["right"] * 3))


def share_table(report: FleetReport) -> tuple[list[str], list[list[str]]]:
    """When each share of the devices has lost a block, or its store: headers and rows."""
    first = report.first_block
    rows = [
        ["first block, formula", *(in_years(one.formula_ns) for one in first)],
        ["  if wear were even", *(in_years(one.even_ns) for one in first)],
        [f"  {report.check.devices:,} simulated", *(_at(one.simulated) for one in first)],
        ["  95 % bounds of these", *(_bounds(one.simulated) for one in first)],
        ["store, estimate", *(in_years(one.at_ns) for one in report.store_estimate)],
    ]
    if report.store_sample is not None:
        shares = report.store_sample.shares
        rows.append([f"  {len(report.store_sample.losses):,} run", *(_at(one) for one in shares)])
        rows.append(["  95 % bounds of these", *(_bounds(one) for one in shares)])
    rows += [[f'region "{units.plain(one.name, 20)}"', *map(in_years, one.first_lost_ns)] for one in report.regions]
    if report.any_block_ns:
        rows.append(["any block of these", *map(in_years, report.any_block_ns)])
    return ["lost by", *(f"{100 * one.share:g} % of devices" for one in first)], rows


def in_years(time_ns: int) -> str:
    """Years in full, however many: fleets are compared with each other."""
    return f"{units.number(time_ns / NS_PER_YEAR)} years" if time_ns >= NS_PER_YEAR else units.time(time_ns)


def _at(found: Sampled) -> str:
    return "-" if found.at_ns is None else in_years(found.at_ns)


def _bounds(found: Sampled) -> str:
    if found.least_ns is None and found.most_ns is None:
        return "too few"
    if found.least_ns is None or found.most_ns is None:
        known = found.most_ns if found.least_ns is None else found.least_ns
        return f"{'before' if found.least_ns is None else 'after'} {in_years(known or 0)}"
    return f"{in_years(found.least_ns).removesuffix(' years')} to {in_years(found.most_ns)}"


def notes_of(report: FleetReport) -> Iterator[str]:
    """What has to be known of the figures."""
    check = report.check
    agrees = "agree" if check.agrees else "DO NOT AGREE"
    yield (
        f"The simulated devices {agrees} with the formula: their mean is off by {100 * check.off:+.1f} %, of "
        f"{100 * check.tolerance:.1f} % allowed."
    )
    spare = units.counted(report.spare_blocks, "block")
    yield (
        f"The store can spare {spare} before what the run kept in it no longer fits. The estimate takes the wear as "
        "even and leaves out that cleaning costs more in a smaller store."
    )
    if report.store_sample is not None:
        yield from _sample_notes(report.store_sample)
    if report.wear.erases_max < ERASES_FEW:
        yield (
            "! The pace comes from few erases, so wear looks less even than it will be: the line for even wear may be "
            f"nearer. {BETTER_PACE[report.kind]} finds a better pace."
        )
    yield "The law of the limits is yours: nobody publishes one for this kind of flash. A model is no qualification."


def _sample_notes(sample: SampledLosses) -> Iterator[str]:
    lost = sorted(loss.blocks_lost for loss in sample.losses if loss.at_ns is not None)
    never = len(sample.losses) - len(lost)
    after = f"{lost[0]:,} to {lost[-1]:,} lost blocks" if lost else "no loss"
    outlived = f"; {never:,} outlived the sample" if never else ""
    yield (
        f"The devices that were run, {units.number(sample.hurry)} times as fast as in truth, lost their store after "
        f"{after}{outlived}."
    )


def kept_lines(report: FleetReport) -> Iterator[str]:
    """How long data is kept, for each count of erases; then where that comes from."""
    for one in report.kept:
        since = "" if one.reached_ns is None else f", which the most worn block has after {in_years(one.reached_ns)}"
        yield (
            f"Data written after up to {one.cycles:,} erases{since}: kept for {units.number(one.years)} years at "
            f"{one.temperature_c:g} degrees Celsius."
        )
    yield (
        "That is JESD47's demand (55 degrees: 10 years after a tenth of the rated cycles, 1 year after all) carried "
        f"over by Arrhenius with {report.kept[0].activation_ev:g} eV, which is yours to justify: each mechanism has "
        "its own, and none is in this model."
    )


def verdict(report: FleetReport, life_min_ns: int) -> str:
    """Whether the expectation is met."""
    met = "met" if report.met else "! NOT MET"
    first = in_years(report.first_lost_ns)
    return f"expected life_min {units.time(life_min_ns)}: {met}, 1 % have lost their first block by {first}"
