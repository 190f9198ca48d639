"""`simfs cuts` where the files are on a card."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from simfs.cli.exits import Refused
from simfs.cli.progress import progress_bar, shown

if TYPE_CHECKING:
    from simfs.files.contract import AnyStore
    from simfs.study.card_cuts.notes import CardHistory
    from simfs.study.card_cuts.report import CardCutReport

CUTS = 500  # sector writes that are cut unless somebody says otherwise
OF_FLASH = {"lives": None, "only": None, "depth": 1, "profile": "program-contained", "workers": None, "cluster": None}
"""The options that are for a store on flash, and what they are if nobody gives them."""


class OnCard(NamedTuple):
    """A run on a card, and its store at the end."""

    history: CardHistory
    store: AnyStore


def refuse_options_of_flash(own: dict[str, Any], where: str) -> None:
    """Refuse what only a store on flash alone has an answer to."""
    given = [name for name, usual in OF_FLASH.items() if own[name] != usual]
    if given:
        raise Refused(
            *(f"--{name}: it is for a store on flash, and this one is {where}; leave it out" for name in given)
        )
    if own["every"] not in (None, "operation"):
        raise Refused(f"--every {own['every']}: a card writes a sector whole; write --every operation, or --sample")


def report_on_card(found: OnCard, file: str, kind: str, own: dict[str, Any]) -> CardCutReport:
    """Cut the power in the run again and again."""
    from simfs.study.card_cuts.campaign import campaign, places_of
    from simfs.study.card_cuts.report import card_cut_report

    refuse_options_of_flash(own, "on a card")
    sample = own["sample"] or (None if own["every"] else CUTS)
    sample = None if sample is None or sample >= len(found.history.writes) else sample
    places = places_of(found.history, sample, own["seed"] or 0)
    with progress_bar(f"cutting the power in {shown(file)}") as progress:
        result = campaign(found.history, places, progress)
    return card_cut_report(
        found.history, result, found.store, source=file, kind=kind, sample=sample, seed=own["seed"] or 0
    )
