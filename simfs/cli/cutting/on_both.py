"""`simfs cuts` where the files are on flash and card."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from simfs.cli.cutting.on_card import refuse_options_of_flash
from simfs.cli.progress import progress_bar, shown

if TYPE_CHECKING:
    from simfs.files.contract import AnyStore
    from simfs.study.both_cuts.calls import BothHistory
    from simfs.study.both_cuts.report import BothCutReport

CUTS = 60  # programs, erases and sector writes at which something happens unless somebody says otherwise


class OnBoth(NamedTuple):
    """A run on flash and card, and its store at the end."""

    history: BothHistory
    store: AnyStore


def report_on_both(found: OnBoth, file: str, kind: str, own: dict[str, Any]) -> BothCutReport:
    """Cut the power, and take the card out, in the run again and again."""
    from simfs.study.both_cuts.campaign import campaign, places_of
    from simfs.study.both_cuts.report import both_cut_report

    refuse_options_of_flash(own, "on flash and card")
    sample, seed = own["sample"] or (None if own["every"] else CUTS), own["seed"] or 0
    changes, places = places_of(found.history, sample, seed)
    with progress_bar(f"cutting the power in {shown(file)}") as progress:
        result = campaign(found.history, places, progress)
    return both_cut_report(found.history, result, found.store, source=file, kind=kind, changes=changes, seed=seed)
