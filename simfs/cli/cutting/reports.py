"""The report on cuts of any kind, as text and as a page."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simfs.show.ending.hits import Told
    from simfs.study.both_cuts.report import BothCutReport
    from simfs.study.card_cuts.report import CardCutReport
    from simfs.study.cuts.lives_report import LivesReport
    from simfs.study.cuts.report import CutReport

    AnyReport = CutReport | LivesReport | CardCutReport | BothCutReport


def page_of(report: AnyReport) -> str:
    """The page for a browser."""
    from simfs.show.sheet.cuts_page import cuts_page
    from simfs.show.sheet.more_cuts_pages import hits_page, lives_page
    from simfs.study.cuts.lives_report import LivesReport
    from simfs.study.cuts.report import CutReport

    if isinstance(report, CutReport):
        return cuts_page(report)
    return lives_page(report) if isinstance(report, LivesReport) else hits_page(_told(report))


def text_of(report: AnyReport, as_json: bool) -> str:
    """The text to print."""
    if as_json:
        from simfs.show.json import object_of

        return object_of(report)
    from simfs.show import cuts, lives
    from simfs.show.ending import hits
    from simfs.study.cuts.lives_report import LivesReport
    from simfs.study.cuts.report import CutReport

    if isinstance(report, CutReport):
        return cuts.as_text(report)
    return lives.as_text(report) if isinstance(report, LivesReport) else hits.as_text(_told(report))


def _told(report: CardCutReport | BothCutReport) -> Told:
    from simfs.show import card_cuts
    from simfs.show.on_both import cuts as on_both
    from simfs.study.card_cuts.report import CardCutReport

    return card_cuts.told(report) if isinstance(report, CardCutReport) else on_both.told(report)
