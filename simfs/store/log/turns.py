"""The change of blocks that comes over and over, done at once: a dead block is freed, the head leaves its own sealed,
goes on in a ready one, and a freed one is erased. RAM and counters come out as by `Cleaner.clean` and
`Segments.advance`, which do all else; the bytes are made when somebody reads them."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from simfs.flash.late import LateFlash
from simfs.store.format.codec import (
    CLAIMS,
    DATA,
    DISCARD_BYTES,
    ENTRY_BYTES,
    ERASE_COUNT_MAX,
    ERASE_RECORD_BYTES,
    FENCE,
    FENCE_BYTES,
    FRAME_BYTES,
    HEADER_BYTES,
    NO_BLOCK,
    OPEN_RECORD,
    ORDER_MAX,
    RECORDS,
    SEAL_BYTES,
    UNKNOWN,
    Kind,
    Seal,
    encode_erase_record,
    encode_seal,
    salt_of,
    with_copy,
)
from simfs.store.format.runs import Run, RunTable
from simfs.store.log.heads import Head
from simfs.store.tables.blocks import State

if TYPE_CHECKING:
    from simfs.store.log.state import StoreState

OPEN_BYTES = 80  # open record and copy
REMOVE = int(Kind.REMOVE)
QUIET = (DATA, int(Kind.MARK))  # runs of which cleaning a dead block reads nothing


def turns_of(state: StoreState) -> Turns | None:
    """Late changes of blocks, where the store's setting and its flash allow them."""
    flash, layout = state.flash, state.layout
    whole = SEAL_BYTES % layout.unit_bytes == 0 == OPEN_BYTES % layout.unit_bytes and not layout.page_programs_max
    if len(state.log.heads) != 1 or state.config.idle_cleaning or not whole:
        return None
    return Turns(state, flash) if isinstance(flash, LateFlash) and flash.takes_late else None


class Turns:
    """Changes of the one head's block. `sealed` has the blocks closed so: base, runs, bytes left blank."""

    def __init__(self, state: StoreState, flash: LateFlash) -> None:
        self._state, self._flash = state, flash
        self._log, self._blocks, self._layout = state.log, state.blocks, state.layout
        self._segments, self._claims = state.segments, state.claims
        self._settings = tuple(state.segments.record)[3:-3]
        self._sealed: dict[int, tuple[int, list[Run], int]] = {}
        self._behind_record = b"\xff" * (state.layout.block_bytes - ERASE_RECORD_BYTES)
        page = state.layout.page_bytes
        self._open_programs = _pages(ERASE_RECORD_BYTES, FENCE_BYTES, page) + _pages(
            ERASE_RECORD_BYTES + FENCE_BYTES, OPEN_BYTES, page
        )

    def frees(self, victim: int) -> bool:
        """Free a block in which nothing is live; False where that takes a look at the flash."""
        blocks, flash = self._blocks, self._flash
        found = self._sealed.get(victim)
        if found is None or found[0] != blocks.base[victim] or blocks.failing:
            return False
        _, runs, unused = found
        going = []
        reads, read_bytes = 2, SEAL_BYTES + ENTRY_BYTES * len(runs)
        for run in runs:
            kind = run.kind
            if kind in QUIET:
                continue
            if kind not in CLAIMS:
                return False
            reads += 2
            read_bytes += HEADER_BYTES + FRAME_BYTES + run.length
            if kind != REMOVE:
                name = flash.peek(run.address + HEADER_BYTES, run.length)
                going.append(self._claims.key(name.split(b"\0")[0]))
        if unused:
            reads += 1
            read_bytes += unused
        flash.reads += reads
        flash.read_bytes += read_bytes
        self._segments.bearers_in[victim] = going
        blocks.free(victim, -1)
        return True

    def can_advance(self) -> bool:
        """Whether `advance` is all that leaving the head's block takes."""
        head, blocks = self._log.heads[0], self._blocks
        return (
            head is not None
            and not head.asleep
            and len(blocks.ready) > 0
            and not blocks.in_doubt
            and not self._segments.bad_at
            and len(head.table.runs) <= self._layout.runs_max
            and head.at + len(head.table.runs) * ENTRY_BYTES + SEAL_BYTES <= head.end
            and self._is_blank(blocks.ready[0][1])
        )

    def _is_blank(self, block: int) -> bool:
        """Whether nothing stands behind a ready block's erase record. `_open` counts this look."""
        start = block * self._layout.block_bytes + ERASE_RECORD_BYTES
        return self._flash.peek(start, len(self._behind_record)) == self._behind_record

    def advances(self) -> bool:
        """`advance` where it can."""
        if not self.can_advance():
            return False
        self.advance()
        return True

    def advance(self) -> None:
        """Seal the head's block, open the least worn ready one, and erase the least worn freed one if that was the
        last."""
        head = self._log.heads[0]
        assert head is not None
        self._leave(head)
        self._open()
        if not self._blocks.ready:
            self._erase()

    def _leave(self, head: Head) -> None:
        """Seal the block, with its runs listed."""
        blocks, runs, start, salt = self._blocks, head.table.runs, head.start, head.salt
        first = head.end - len(runs) * ENTRY_BYTES - SEAL_BYTES
        make = partial(_listing, runs, start, head.at - start, head.table.next_order, salt)
        page = self._layout.page_bytes
        programs = (first % page + head.end - first + page - 1) // page
        self._flash.program_late(first, head.end, programs, head.end - first, make)
        self._sealed[head.block] = (head.base, runs, first - head.at)
        blocks.written_at[head.block] = self._log.logged_bytes
        blocks.close(head.block)

    def _open(self) -> None:
        """Open the least worn ready block, which is blank."""
        blocks, log, layout, flash = self._blocks, self._log, self._layout, self._flash
        worn, block = blocks.ready.pop(0)
        base, start = log.sequence, block * layout.block_bytes
        body = OPEN_RECORD.pack(base, worn, blocks.erase_count_max, *self._settings, block, NO_BLOCK, UNKNOWN)
        salt = salt_of(body)
        flash.reads += 1
        flash.read_bytes += layout.block_bytes - ERASE_RECORD_BYTES
        first, length = start + ERASE_RECORD_BYTES, FENCE_BYTES + OPEN_BYTES
        make = partial(_opening, body, salt, base, worn)
        flash.program_late(first, first + length, self._open_programs, length, make)
        blocks.state[block] = State.OPEN
        self._segments.stated = {block}
        blocks.opened[block], blocks.base[block], blocks.salt[block] = True, base, salt
        log.resume(0, block, start + layout.first, RunTable(), RECORDS)
        log.sequence = base + 1

    def _erase(self) -> None:
        """Erase the least worn of the freed blocks, whose live frames all stand in closed blocks now."""
        blocks, flash, segments = self._blocks, self._flash, self._segments
        if not blocks.freed:
            return
        worn, block = min((blocks.erase_count[block], block) for block in blocks.freed)
        if not blocks.opened[block]:
            segments.erase_one()
            segments.tell_bad()
            return
        count = min(worn + 1, ERASE_COUNT_MAX)
        segments.meters.erases += 1
        blocks.note_erase_count(block, count)
        flash.reads += 1  # the discard mark
        flash.read_bytes += DISCARD_BYTES
        flash.programs += 1
        flash.program_bytes += DISCARD_BYTES
        flash.erase(block)
        start = block * self._layout.block_bytes
        flash.reads += 1  # a look at all of it
        flash.read_bytes += self._layout.block_bytes
        make = partial(encode_erase_record, count)
        flash.program_late(start, start + ERASE_RECORD_BYTES, 1, ERASE_RECORD_BYTES, make)
        blocks.opened[block] = False
        blocks.make_ready(block)
        going = segments.bearers_in.pop(block, None)
        if going:
            self._claims.erased(going)


def _listing(runs: list[Run], start: int, end: int, next_order: int, salt: int) -> bytes:
    """Run entries and seal of the block that begins at `start`."""
    return encode_seal([run.encode(start) for run in runs], Seal(len(runs), end, min(next_order, ORDER_MAX)), salt)


def _opening(body: bytes, salt: int, base: int, erase_count: int) -> bytes:
    """Fence, open record and its copy."""
    return FENCE + with_copy(body, salt, base, erase_count, 0, 0)


def _pages(address: int, length: int, page_bytes: int) -> int:
    """How many pages hold these bytes."""
    return (address % page_bytes + length + page_bytes - 1) // page_bytes
