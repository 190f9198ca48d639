"""What the log tells of blocks that are bad or were left without a seal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from simfs.flash import NorFlash
from simfs.store.format.codec import FRAME_BYTES, NOWHERE, STATEMENT, TELLING, Seal
from simfs.store.format.errors import CorruptStore
from simfs.store.format.runs import DATA_BITS, KIND_BITS, Entry, RunTable, kind_of, place_of
from simfs.store.format.statement import Left, Statement, decode_statement
from simfs.store.log.block_scan import Scan
from simfs.store.log.state import Finding, StoreState

NO_HEAD = -1


@dataclass(slots=True)
class Used:
    """A block that holds something: `entries` are its runs, `others` those of other frames than DATA, `scan` all of it
    where no seal lists them. What stands before `stop` counts, which is NOWHERE where everything does. `head` wrote it;
    NO_HEAD: nobody knows."""

    block: int
    start: int
    base: int
    seal: Seal | None
    entries: list[Entry]
    scan: Scan | None
    head: int = NO_HEAD
    others: tuple[Entry, ...] = ()
    stop: int = NOWHERE
    table: RunTable | None = None


def others_of(entries: list[Entry]) -> tuple[Entry, ...]:
    """Those runs of a block that are not of DATA frames. Of most blocks there are none."""
    return tuple([entry for entry in entries if entry[0] & KIND_BITS != DATA_BITS])


def said_in(scan: Scan | None, seal: Seal | None) -> tuple[int, int]:
    """Base and head of a block that does not begin with a sound statement; 0 and NO_HEAD: nothing says it."""
    if scan is not None and scan.statements:
        return scan.base, scan.statements[0].head
    return seal.base if seal is not None else 0, NO_HEAD


class Told(NamedTuple):
    """What a frame with this sequence number, at this address of the flash, tells of a block: that it was left without
    a seal or, with `end` 0 and base 0, that nothing in it counts."""

    number: int
    address: int
    left: Left


def told_by(state: StoreState, blocks: dict[int, Used]) -> dict[int, Told]:
    """What the log tells of blocks that are bad or were left without a seal: the newest that counts of each. What is
    told of a block is newer than anything in it, so the newest first."""
    accepted, unread = dict[int, Told](), list[Finding]()
    telling = [use for use in blocks.values() if use.others or use.scan is not None]
    for one in sorted((told for use in telling for told in _tellings(state, use, unread)), reverse=True):
        block, base, _ = one.left
        about = blocks.get(block)
        if _counts(one.address, accepted, blocks, state.layout.block_bytes) and (
            block not in accepted and about is not None and (base in (0, about.base) or about.base == 0)
        ):
            accepted[block] = one
    state.damages += [one for one in unread if _counts(one.begin, accepted, blocks, state.layout.block_bytes)]
    return accepted


def _counts(address: int, accepted: dict[int, Told], blocks: dict[int, Used], block_bytes: int) -> bool:
    """Whether what stands at an address counts, by what is told of its block and by what that block itself says up to
    there: a statement that came back behind that end says nothing."""
    block, within = divmod(address, block_bytes)
    told, use = accepted.get(block), blocks.get(block)
    if use is None:
        return True
    stop = told.left.end if told is not None and told.left.base in (0, use.base) else NOWHERE
    voids = [] if use.scan is None else use.scan.voids(stop)
    return within < stop and not any(begin <= within < end for begin, end in voids)


def _tellings(state: StoreState, use: Used, unread: list[Finding]) -> Iterator[Told]:
    """What one block tells of others, whether it counts or not. A frame that can't be read is damage, if it counts."""
    scanned = use.scan is not None
    stating = list(use.scan.statements) if use.scan is not None else []
    places = [place_of(entry) for entry in use.others if kind_of(entry) in TELLING]
    if use.scan is not None:
        places = [frame.address for frame in use.scan.frames if frame.kind in TELLING]
    for place in places:
        listed = None if scanned else _statement_at(state.flash, use, place, state.layout.block_bytes)
        if listed is not None:
            stating.append(listed)
            continue
        try:
            frame, payload = state.reader.frame(use.start + place)
        except CorruptStore:
            end = use.start + place + FRAME_BYTES
            unread.append(Finding(use.start + place, end, "a frame that tells of a block can't be read"))
            continue
        told = Left(frame.file, int.from_bytes(payload, "little"), frame.offset)
        yield Told(use.base + frame.order, use.start + place, told)
    for said in stating:
        for left in said.left:
            yield Told(said.number, use.start + said.address, left)


def _statement_at(flash: NorFlash, use: Used, place: int, block_bytes: int) -> Statement | None:
    """The statement at a place that a seal lists."""
    if flash.read(use.start + place, 1)[0] != STATEMENT:
        return None
    return decode_statement(flash.read(use.start, block_bytes), use.block, 0, place)
