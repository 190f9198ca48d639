"""The rows of a report that are about flash and card together."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.show import units
from simfs.show.ending.fault_words import FAULT_WORDS
from simfs.show.rows.line import Line, marked
from simfs.study.run.both_work import BothWork, PullWork

PULLS_SHOWN = 3


def reading_lines(work: BothWork) -> Iterator[Line]:
    """What became of the readings, and how the card went."""
    yield "readings written", f"{work.written:,}", "that the flash took; one is what one write hands over"
    most = f"; at most {work.only_on_flash_most:,} at once"
    yield "only on the flash", f"{work.only_on_flash:,}", f"at the end, not on the card yet{most}"
    yield marked(
        bool(work.lost_readings),
        "readings lost",
        f"{work.lost_readings:,}",
        f"{work.refused:,} refused by a full flash, {work.lost_with_card:,} with the card",
        "Give the store more blocks, or drain more often."
        if work.refused
        else "Show with a light when the card is written to.",
    )
    yield "card taken out", f"{work.card_outs:,}", _outs(work)
    if work.card_refused:
        yield "! card refused", f"{work.card_refused:,}", "operations, though it was in; the flash has what they wrote"
    for pull in work.pulls[:PULLS_SHOWN]:
        yield "! gone in a write", units.time(pull.at_ns), _pull(pull, work.role)
    if len(work.pulls) > PULLS_SHOWN:
        yield "! gone in a write", f"{len(work.pulls) - PULLS_SHOWN:,} more", "all of them with --json"


def _outs(work: BothWork) -> str:
    inside = len(work.pulls)
    return (
        f"times, {units.counted(inside, 'time')} in the middle of an operation"
        if inside
        else "times, never in the middle of an operation"
    )


def _pull(pull: PullWork, role: str) -> str:
    """What a sector-wise cut leaves."""
    within = f"within sector write {pull.sectors_written + 1:,} of an operation: that sector can't be read"
    after = f"after {units.counted(pull.sectors_written, 'sector write')} of an operation"
    found = f". A check finds {', '.join(FAULT_WORDS[kind] for kind in pull.faults)}" if pull.faults else ""
    told = f"into the run, {within if pull.torn else after}{found}. Mended, the card"
    if not pull.lost_bytes:
        return f"{told} lacks nothing that it had"
    lost = f"{units.size(pull.lost_bytes)} of {units.counted(pull.lost_files, 'file')}"
    whose = "the flash has them" if role == "mirror" else units.counted(pull.lost_readings, "reading")
    return f"{told} lacks {lost}: {whose}"
