"""The rows of a report that are about a removable card."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.show import units
from simfs.show.rows.line import Line
from simfs.study.run.card_work import CardWork


def card_lines(work: CardWork) -> Iterator[Line]:
    """What was written, what the card may make of it inside, and the range of its life that follows."""
    bare = units.counted(work.sectors_floor, "sector")
    yield "sector writes", f"{work.sectors_written:,}", f"in the run; the bytes alone would fill {bare}"
    day = work.per_day_bytes
    if day is None:
        yield "inside the card", "cannot say", "the run is too short to tell of a day"
        return
    least, most = units.size(day * work.inner_least), units.size(day * work.inner_most)
    yield (
        "inside the card",
        f"x {work.inner_least:,} to {work.inner_most:,}",
        f"{units.size(day)} of sectors a day; the card may program {least} to {most} for them, which is the secret of "
        "its controller",
    )
    fills = f"; {work.fills:,} fills of the card, as makers say"
    for word, inner, life_ns in (
        ("least", work.inner_most, work.life_least_ns),
        ("most", work.inner_least, work.life_most_ns),
    ):
        if life_ns is not None:
            yield (
                f"life, at {word}",
                units.years(life_ns),
                f"if it programs {inner:,} times as much{fills}",
            )
