"""The change of blocks that comes over and over, done at once: a dead block is freed, the head leaves its own sealed,
goes on in a ready one, and a freed one is erased. RAM and counters come out as by `Cleaner.clean` and
`Segments.advance`, which do all else; the bytes are made when somebody reads them."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from simfs.flash import FlashError
from simfs.flash.late import LateFlash
from simfs.store.codec import (
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
    ORDER_MAX,
    RECORDS,
    SEAL_BYTES,
    Kind,
    OpenRecord,
    Seal,
    encode_erase_record,
    encode_open_record,
    encode_seal,
)
from simfs.store.log import Head
from simfs.store.runs import Run, RunTable

if TYPE_CHECKING:
    from simfs.store.state import StoreState

OPEN_BYTES = 80  # open record and copy
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
        self._settings = tuple(state.segments.record)[3:-2]
        self._sealed: dict[int, tuple[int, list[Run], int]] = {}
        page = state.layout.page_bytes
        self._open_programs = _pages(ERASE_RECORD_BYTES, FENCE_BYTES, page) + _pages(
            ERASE_RECORD_BYTES + FENCE_BYTES, OPEN_BYTES, page
        )

    def frees(self, victim: int) -> bool:
        """Free a block in which nothing is live; False where that takes a look at the flash."""
        blocks, flash = self._blocks, self._flash
        base, runs, unused = self._sealed.get(victim, (-1, [], 0))
        if base != blocks.base[victim] or blocks.failing:
            return False
        claims = [run for run in runs if run.kind not in QUIET]
        going = []
        reads, read_bytes = 2, SEAL_BYTES + ENTRY_BYTES * len(runs)
        if claims:
            claims.sort(key=lambda run: (run.file, run.offset))
            for run in claims:
                if run.kind not in CLAIMS:
                    return False
                reads += 2
                read_bytes += HEADER_BYTES + FRAME_BYTES + run.length
                if run.kind != Kind.REMOVE:
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

    def advance(self) -> bool:
        """Seal the head's block, open the least worn ready one, and erase the least worn freed one if that was the
        last; False where there is more to do."""
        blocks, head, segments = self._blocks, self._log.heads[0], self._segments
        if head is None or not blocks.ready or blocks.in_doubt or segments.bad_at or head.asleep:
            return False
        block: int = blocks.ready[0][1]
        self._flash.reads += 1  # a look whether it is blank
        self._flash.read_bytes += self._layout.block_bytes - ERASE_RECORD_BYTES
        self._leave(head)
        self._open(block)
        if not blocks.ready:
            self._erase(self._log.sequence - 1)
        return True

    def _leave(self, head: Head) -> None:
        blocks, layout, runs = self._blocks, self._layout, head.table.runs
        block, start, salt = head.block, head.start, head.salt
        length = len(runs) * ENTRY_BYTES + SEAL_BYTES
        listed = len(runs) <= layout.runs_max and head.at + length <= head.end
        if listed:
            seal = Seal(len(runs), head.at - start, min(head.table.next_order, ORDER_MAX))
            self._program(
                head.end - length, length, lambda: encode_seal([run.encode(start) for run in runs], seal, salt)
            )
            self._sealed[block] = (head.base, runs, head.end - length - head.at)
            blocks.written_at[block] = self._log.logged_bytes
            self._log.heads[0] = None
            blocks.close(block)
        else:
            self._segments.leave(0)

    def _open(self, block: int) -> None:
        blocks, log, layout = self._blocks, self._log, self._layout
        base, start = log.sequence, block * layout.block_bytes
        wear = blocks.erase_count[block], blocks.erase_count_max
        record = OpenRecord._make((base, *wear, *self._settings, block, NO_BLOCK))
        raw, salt = encode_open_record(record)
        first, length = start + ERASE_RECORD_BYTES, FENCE_BYTES + OPEN_BYTES
        self._flash.program_late(first, first + length, self._open_programs, length, lambda: FENCE + raw)
        blocks.take(block)
        self._segments.stated = {block}
        blocks.opened[block], blocks.base[block], blocks.salt[block] = True, base, salt
        log.skip_full_page(log.resume(0, block, start + layout.first, RunTable(), RECORDS))
        log.sequence = base + 1

    def _erase(self, base: int) -> None:
        """Erase the least worn of the freed blocks whose live frames stand in closed blocks."""
        blocks, flash, segments = self._blocks, self._flash, self._segments
        able = [(blocks.erase_count[block], block) for block in blocks.freed if base >= blocks.freed_at[block]]
        if not able:
            return
        worn, block = min(able)
        if not blocks.opened[block]:
            segments.erase_one()
            return
        size = self._layout.block_bytes
        flash.reads += 1  # the discard mark
        flash.read_bytes += DISCARD_BYTES
        flash.programs += 1
        flash.program_bytes += DISCARD_BYTES
        segments.meters.erases += 1
        count = min(worn + 1, ERASE_COUNT_MAX)
        blocks.note_erase_count(block, count)
        try:
            flash.erase(block)
        except FlashError:
            segments.retire(block)
            segments.erase_one()
            segments.tell_bad()
            return
        flash.reads += 1  # a look at all of it
        flash.read_bytes += size
        blocks.opened[block] = False
        self._program(block * size, ERASE_RECORD_BYTES, lambda: encode_erase_record(count))
        blocks.make_ready(block)
        going = segments.bearers_in.pop(block, None)
        if going:
            self._claims.erased(going)

    def _program(self, address: int, length: int, make: Callable[[], bytes]) -> None:
        programs = _pages(address, length, self._layout.page_bytes)
        self._flash.program_late(address, address + length, programs, length, make)


def _pages(address: int, length: int, page_bytes: int) -> int:
    """How many pages hold these bytes."""
    return (address % page_bytes + length + page_bytes - 1) // page_bytes
