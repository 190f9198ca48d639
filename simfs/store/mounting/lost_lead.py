"""Whether the block in which the log went on was put elsewhere: then an older statement rules, and seems the newest."""

from __future__ import annotations

from simfs.store.format.codec import STATEMENT
from simfs.store.format.layout import Layout
from simfs.store.format.statement import decode_statement, statement_frame
from simfs.store.log.marks import is_marked
from simfs.store.log.state import Damage, StoreState
from simfs.store.mounting.ruling import Ruling


def find_lost_lead(ruling: Ruling, state: StoreState) -> None:
    """Nothing is written in another block before LEFT stands in the lead. Reads a few bytes of each block that does not
    begin with a statement then."""
    if not is_left(ruling, state.layout):
        return
    for block, first in enumerate(ruling.firsts):
        if first is None and _holds_newer(ruling, block, state):
            _note(state, block, "a newer block stands in the place of another one")
            return


def _note(state: StoreState, block: int, what: str) -> None:
    begin = block * state.layout.block_bytes
    state.damages.append(Damage(begin, begin + state.layout.block_bytes, what))


def is_left(ruling: Ruling, layout: Layout) -> bool:
    """Whether LEFT stands in the lead: a named block may have been erased ahead."""
    return is_marked(ruling.scans[ruling.lead].raw[layout.left_at : layout.left_at + layout.mark_bytes])


def _holds_newer(ruling: Ruling, block: int, state: StoreState) -> bool:
    """Whether a block begins with a statement that was written for another one, and is newer than the ruling one."""
    start, address = block * state.layout.block_bytes, state.layout.statement_at(0)
    if state.flash.read(start + address, 1)[0] != STATEMENT:
        return False
    raw = state.flash.read(start, state.layout.block_bytes)
    for own in range(len(state.blocks)):
        if statement_frame(raw, own, address) is not None:
            said = decode_statement(raw, own, 0, address)
            return said is not None and said.number > ruling.statement.number
    return False
