"""What a verdict says of a device with flash and a card: what ends first, and which readings are lost."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.replay.device.clock import NS_PER_YEAR, YEARS_SHOWN_MAX
from simfs.show import units
from simfs.show.ending.when import when
from simfs.study.run.both_work import BothWork
from simfs.study.run.figures import Figures

End = tuple[int, str]
"""When, and what ends then."""


def both_sentences(figures: Figures) -> Iterator[str]:
    """What the flash holds at most, what ends first, what is lost; nothing of a run on one medium."""
    if figures.both is None or figures.on_flash is None:
        return
    yield _flash(figures, figures.on_flash, figures.both)
    found = sorted(one for one in ends(figures) if one[0] < YEARS_SHOWN_MAX * NS_PER_YEAR)
    if found:
        told = [f"{what} {when(figures, at_ns, roughly=True)}" for at_ns, what in found[:2]]
        yield f"What ends first is {'; then '.join(told)}."
    else:
        yield f"Neither room nor wear ends within {YEARS_SHOWN_MAX:,} years, as far as this run tells."
    yield _lost(figures.both)


def ends(figures: Figures) -> Iterator[End]:
    """Everything that ends, with its time since the run's start."""
    for side, name in ((figures.on_flash, "flash"), (figures.on_card, "card")):
        if side is None:
            continue
        if side.outlook is not None and side.outlook.full_ns is not None:
            yield side.outlook.full_ns, f"the room on the {name},"
        if side.best_life is not None and side.best_life.hottest_ns is not None:
            yield side.best_life.run_ns + side.best_life.hottest_ns, "the first block of the flash, worn"
        if side.card is not None and side.card.life_least_ns is not None:
            inside = f"the card, worn if it programs {side.card.inner_most:,} times as much inside,"
            yield side.card.life_least_ns, inside


def _flash(figures: Figures, flash: Figures, both: BothWork) -> str:
    percent = units.percent(flash.room.live_max_percent)
    full_ns = flash.outlook.full_ns if flash.outlook is not None else None
    if full_ns is not None and full_ns <= figures.subject.duration_ns:
        return f"The flash does not hold what comes: it is full {when(figures, full_ns)}."
    if both.role == "buffer":
        return f"The flash holds what waits for the card: it is {percent} full at most."
    return f"The flash holds the files: they take {percent} of its room at most."


def _lost(both: BothWork) -> str:
    waits = (
        f"{units.counted(both.only_on_flash, 'is', 'are')} on the flash alone at the end" if both.only_on_flash else ""
    )
    of = f"of {units.counted(both.written + both.refused, 'reading')}"
    if not both.lost_readings:
        return f"None {of} is lost{', and ' + waits if waits else ''}."
    refused, gone = both.refused, both.lost_with_card
    why = ["as the flash was full"] if refused else []
    why += ["as the card went in the middle of a write"] if gone else []
    if refused and gone:
        why = [f"{count:,} {how}" for count, how in zip((refused, gone), why, strict=True)]
    how = " and ".join(why)
    are = "is" if both.lost_readings == 1 else "are"
    return f"{both.lost_readings:,} {of} {are} lost {how}{'; ' + waits if waits else ''}."
