"""A small store drawn in text: a line for each erase block, a sign for each page."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.store.pages import PageState
from simfs.store.tables.blocks import State
from simfs.study.film.steps import View

SIGNS = {PageState.BLANK: "·", PageState.LIVE: "█", PageState.DEAD: "░", PageState.RECORDS: "r"}
LEGEND = "█ live  ░ dead  r record of the log  · blank    erases of the block at the right"
ROWS_MAX = 64
WORDS = {
    State.UNUSED: "not used yet",
    State.OPEN: "open: the log goes on here",
    State.CLOSED: "",
    State.FREED: "dead: erased before it is used again",
    State.READY: "erased ahead",
    State.DAMAGED: "damaged",
    State.BAD: "bad",
}
NEXT = "one of the next"


def picture(view: View) -> str:
    """The whole store, at most 64 blocks of it."""
    return "\n".join([*_rows(view), LEGEND])


def _rows(view: View) -> Iterator[str]:
    width = len(str(len(view.pages) - 1))
    for block, pages in enumerate(view.pages[:ROWS_MAX]):
        signs = "".join(SIGNS[page] for page in pages)
        word = (
            NEXT if view.states[block] is State.FREED and set(pages) == {PageState.BLANK} else WORDS[view.states[block]]
        )
        yield f"block {block:>{width}}  {signs}  {view.erase_counts[block]:>3}  {word}".rstrip()
    if len(view.pages) > ROWS_MAX:
        yield f"{len(view.pages) - ROWS_MAX} more blocks are not drawn"
