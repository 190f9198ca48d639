"""Whether the block in which the log went on is lost: then an older statement rules, and seems the newest."""

from __future__ import annotations

from simfs.store.format.codec import NO_BLOCK, SEAL_BYTES, STATEMENT
from simfs.store.format.layout import Layout
from simfs.store.format.statement import decode_statement, statement_frame
from simfs.store.log.block_scan import Scan
from simfs.store.log.killed import is_killed
from simfs.store.log.marks import is_marked
from simfs.store.log.state import Finding, StoreState
from simfs.store.mounting.block_reader import Look
from simfs.store.mounting.ruling import Ruling


def find_lost_lead(ruling: Ruling, state: StoreState, look: Look) -> None:
    """Nothing is written in another block before LEFT stands in the lead. Reads a few bytes of each block that does not
    begin with a statement then; both named blocks where an open one has begun its seal."""
    if not is_left(ruling, state.layout):
        return
    for block, life in enumerate(ruling.lives):
        if life is None and _holds_newer(ruling, block, state):
            _note(state, block, "a newer block stands in the place of another one")
            return
    if ruling.statement.named and _is_sealed(ruling, state):
        _look_at_named(ruling, state, look)


def _look_at_named(ruling: Ruling, state: StoreState, look: Look) -> None:
    """One of the named blocks was blank when the seal was programmed. From then on nothing of an earlier life is in it,
    only what is newer, or what the cut erase of a recovery leaves: it kills what is in all of them before. The other
    one may be as a recovery has left it that killed both. What is newer and does not rule was tried, and does not
    count."""
    layout, named = state.layout, ruling.statement.named
    scans = [look.scan(state.flash, layout, block, None) for block in named]
    if all(scan.statements and scan.statements[-1].number < ruling.statement.number for scan in scans):
        where = " or ".join(map(str, named))
        _note(state, ruling.lead, f"the log has gone on in block {where}, and stands in neither")
        return
    for scan in scans:
        others = [one for one in scans if one is not scan]
        killed = _only_killed(scan, layout) or (bool(others) and all(is_killed(one, layout) for one in others))
        if not scan.statements and not killed and scan.raw[layout.seal_at :].strip(b"\xff"):
            _note(state, scan.block, "the newest block is lost here, or an erase was cut or has failed", certain=False)


def _only_killed(scan: Scan, layout: Layout) -> bool:
    """Whether statements were killed in a block, and nothing but statements."""
    return is_killed(scan, layout) and bool(scan.raw[: layout.page_bytes].strip(b"\0"))


def _note(state: StoreState, block: int, what: str, certain: bool = True) -> None:
    begin = block * state.layout.block_bytes
    state.damages.append(Finding(begin, begin + state.layout.block_bytes, what, certain=certain))


def is_left(ruling: Ruling, layout: Layout) -> bool:
    """Whether LEFT stands in the lead: a named block may have been erased ahead."""
    return is_marked(ruling.scans[ruling.lead].raw[layout.left_at : layout.left_at + layout.mark_bytes])


def _is_sealed(ruling: Ruling, state: StoreState) -> bool:
    """Whether the seal of an open block has been begun: a named one had been erased and read back before. SEALING alone
    may say no more than LEFT."""
    layout, other = state.layout, ruling.statement.other.block
    if is_marked(ruling.scans[ruling.lead].raw[layout.seal_at : layout.seal_end]):
        return True
    if other == NO_BLOCK or other >= len(state.blocks):
        return False
    return is_marked(state.flash.read(other * layout.block_bytes + layout.seal_at, SEAL_BYTES))


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
