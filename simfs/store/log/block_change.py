"""What comes after a full block: blocks sealed, chosen, erased and opened, and how the log's tails end."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import count

from simfs.flash import FlashError
from simfs.store.format.codec import (
    AGAIN_MAX,
    DISCARD_AT,
    DISCARD_BYTES,
    DISCARDED,
    ERASE_COUNT_MAX,
    ERASE_RECORD_BYTES,
    FENCE,
    FENCE_BYTES,
    NO_BLOCK,
    ORDER_MAX,
    RECORDS,
    TRIES_MAX,
    Kind,
    OpenRecord,
    encode_erase_record,
    encode_open_record,
    is_discarded,
)
from simfs.store.format.runs import RunTable
from simfs.store.log.block_records import record_of_head, seal_of
from simfs.store.log.heads import Log
from simfs.store.tables.blocks import SEQUENCE_END, BlockTable, State
from simfs.store.tables.claims import Claims
from simfs.store.tables.meters import Meters


class Segments:
    """Moves the log's heads from block to block."""

    def __init__(self, log: Log, record: OpenRecord, claims: Claims, meters: Meters, erases_early: bool) -> None:
        self.log = log
        self.flash, self.layout = log.flash, log.layout
        self.blocks: BlockTable = log.blocks
        self.record = record
        self.claims = claims
        self.meters = meters
        self.erases_early = erases_early  # keep a block ready whenever a head is open, not only when idle time allows
        self.stated: set[int] = set()  # blocks that the newest open record says are open: none of them may vanish
        self.bad_at: dict[int, int] = {}  # bad block: address of the frame that says so; 0: not written yet
        log.on_failure = self._replace_block
        self.bearers_in: dict[int, list[bytes]] = {}  # freed block: keys of the names that its dead frames bear

    def advance(self, which: int, cold: bool = False) -> None:
        """Leave the head's block, sealed, and open another one: a worn one for `cold` data. Costs a seal, an open
        record and, when no block is ready, an erase with its two records. Raises OutOfBlocks when there is none."""
        self._go_on(which, cold)
        if self.erases_early and not self.blocks.ready:
            self.erase_one()
        self.tell_bad()

    def erase_one(self) -> None:
        """Erase the first freed block that may be, and can."""
        any(self.erase(following) for following in self.erasable())

    def abandon(self, which: int, base: int) -> None:
        """Leave the head's block as it is, and go on in another one, whose base says that nothing in the old one counts
        from this sequence number on. If only MARKs count in the old one, the new one takes its place with the same
        base, and the old one may be erased, however many were tried. Raises OutOfBlocks."""
        head = self.log.heads[which]
        assert head is not None
        tries, bottom = self.blocks.tries[head.block] + 1, base - head.base
        if tries <= TRIES_MAX and all(run.kind == Kind.MARK or run.order >= bottom for run in head.table.runs):
            base = head.base
        else:
            tries = 0
        if self.log.sequence - base > ORDER_MAX:
            raise self.blocks.exhausted()  # the other head has written too much since
        self.log.heads[which] = None
        self.blocks.abandon(head.block, base)
        self._go_on(which, False, base, tries)

    def _go_on(self, which: int, cold: bool, base: int | None = None, tries: int = 0) -> None:
        """Open the next block of a head; those that fail meanwhile are bad."""
        base = self.log.sequence if base is None else base
        for tried in count(tries):  # one that failed may read as opened all the same: the next is newer
            block = self.choose_block(which, cold)
            if self.log.heads[which] is not None:
                self.leave(which)
            ready = self.blocks.state[block] == State.READY or self.erase(block)
            if ready and self.open(which, block, base, min(tried, TRIES_MAX)):
                return

    def _replace_block(self, which: int) -> None:
        """A program failed in the head's open block."""
        head = self.log.heads[which]
        assert head is not None
        self.blocks.failing.add(head.block)
        self.abandon(which, self.log.sequence if head.void_from is None else head.base + head.void_from)

    def choose_block(self, which: int, cold: bool) -> int:
        """The block that the head goes on in, ready or still to be erased: the most worn for cold data, which give it a
        rest, else the least worn of the ready ones, or of the freed ones when none is ready."""
        ready = self._blank_block(-1 if cold else 0)
        if ready and not cold:
            return ready[0]
        wear = self.blocks.erase_count
        able = self._freed_for(which)
        if not able and not ready and self._await_head():
            self.leave(len(self.log.heads) - 1)  # it has to leave its block early
            able = self._in_turn(self.blocks.freed)
        if not ready and not able:
            raise self.blocks.exhausted()
        return max(ready + able[-1:], key=wear.__getitem__) if cold else able[0]

    def _freed_for(self, which: int) -> list[int]:
        """The freed blocks that may be erased once the head has left its block."""
        return self._in_turn(self.blocks.freed) if which == len(self.log.heads) - 1 else self.erasable()

    def _blank_block(self, end: int) -> list[int]:
        """The ready block at this end of their order by wear, if any. One that is not blank after all is erased."""
        ready = self.blocks.ready
        while ready:
            block: int = ready[end][1]
            start = block * self.layout.block_bytes + ERASE_RECORD_BYTES
            if self.flash.blank(start, self.layout.block_bytes - ERASE_RECORD_BYTES):
                return [block]
            self.blocks.doubt(block)
        return []

    def erasable(self) -> list[int]:
        """Freed blocks that may be erased at once: the block that their live frames went to has been closed."""
        head = self.log.heads[-1]
        freed_at = self.blocks.freed_at
        return self._in_turn(block for block in self.blocks.freed if head is None or head.base >= freed_at[block])

    def _await_head(self) -> bool:
        """Whether freed blocks wait only for the head of relocated data to leave its block."""
        head, freed_at = self.log.heads[-1], self.blocks.freed_at
        return head is not None and any(freed_at[block] > head.base for block in self._in_turn(self.blocks.freed))

    def _in_turn(self, freed: Iterable[int]) -> list[int]:
        """Blocks in doubt first, then the least worn. None that alone tells of an older block in doubt how far that one
        counts."""
        blocks = self.blocks
        if not blocks.in_doubt:  # as nearly always: the same, sooner
            wear = blocks.erase_count
            return [block for _, block in sorted([(wear[block], block) for block in freed if block not in self.stated])]
        bound = min(blocks.in_doubt.values(), default=SEQUENCE_END)
        able = (block for block in freed if block not in self.stated and blocks.may_go(block, bound))
        return sorted(able, key=lambda block: (block not in blocks.in_doubt, blocks.erase_count[block], block))

    def erase(self, block: int) -> bool:
        """Erase a block: the discard mark, the erase, the erase record. Two reads, two programs, one erase. False when
        the block has turned out bad."""
        try:
            if self.blocks.opened[block]:
                self._discard(block)
            self.meters.erases += 1
            self.blocks.note_erase_count(block, min(self.blocks.erase_count[block] + 1, ERASE_COUNT_MAX))
            self.flash.erase(block)
        except FlashError:
            self.retire(block)
            return False
        self.blocks.opened[block] = False
        return self._make_ready(block)

    def prepare(self, block: int) -> bool:
        """At a format: erase the block unless it is blank, and give it its erase record. False when it is bad."""
        start = block * self.layout.block_bytes
        return self._make_ready(block) if self.flash.blank(start, self.layout.block_bytes) else self.erase(block)

    def _make_ready(self, block: int) -> bool:
        start = block * self.layout.block_bytes
        try:
            blank = self.flash.blank(start, self.layout.block_bytes)  # a worn block has bits that stay
            if blank:
                self.flash.program(start, encode_erase_record(self.blocks.erase_count[block]))
        except FlashError:
            blank = False
        if not blank:
            self.retire(block)
            return False
        self.blocks.make_ready(block)
        self._forget(block)
        return True

    def _forget(self, block: int) -> None:
        """Drop from RAM what the block held, which is gone for good."""
        self.blocks.in_doubt.pop(block, None)
        self.claims.erased(self.bearers_in.pop(block, []))

    def retire(self, block: int) -> None:
        """Mark a block in which nothing is live as bad; it is never used again. What it holds counts until its BAD
        frame."""
        self.blocks.retire(block)
        self.bad_at[block] = 0

    def tell_bad(self) -> None:
        """Write BAD frames for the bad blocks that have none on the flash yet. One program each; one more open block
        when none has room for that. Raises OutOfBlocks."""
        for block in [block for block, address in self.bad_at.items() if not address]:
            which = next(filter(self._fits_bad, range(len(self.log.heads))), None)
            if which is None:
                which = 0
                self._go_on(which, False)
            self.note_bad(block, self.log.append(which, Kind.BAD, block, 0, 0, b"").address)
            self._forget(block)

    def _fits_bad(self, which: int) -> bool:
        self.wake(which)
        return self.log.fits(which, Kind.BAD, 0, 0, 0, 0)

    def note_bad(self, block: int, address: int) -> None:
        """Note where the BAD frame of a block stands now."""
        cost, before = self.layout.frame_cost(0), self.bad_at.get(block, 0)
        if before:
            self.blocks.charge(before, -cost)
        self.blocks.charge(address, cost)
        self.bad_at[block] = address

    def _discard(self, block: int) -> None:
        """Program the discard mark: from now on the block holds nothing, whatever an interrupted erase leaves of it. If
        a cut spoiled the mark before, it is written over, if the part allows that."""
        place = block * self.layout.block_bytes + DISCARD_AT
        raw = self.flash.read(place, DISCARD_BYTES)
        once = self.layout.unit_bytes > 1 or self.layout.page_programs_max
        if not is_discarded(raw) and not (once and raw.strip(b"\xff")):
            self.flash.program(place, DISCARDED)

    def open(self, which: int, block: int, base: int, tries: int) -> bool:
        """Make a ready block the log head, with a base that so many blocks had before: two programs. False when the
        block has turned out bad."""
        record = record_of_head(self.record, self.log, which, block, base, tries)
        raw, salt = encode_open_record(record)
        start = block * self.layout.block_bytes
        try:
            self.log.program(start + ERASE_RECORD_BYTES, FENCE)
            self.log.program(start + ERASE_RECORD_BYTES + FENCE_BYTES, raw)
        except FlashError:
            self.retire(block)
            return False
        self.blocks.take(block)
        self.blocks.bound_doubt(base)
        self.stated = {record.opened, record.opened_too} - {NO_BLOCK}
        self.blocks.opened[block], self.blocks.salt[block] = True, salt
        self.blocks.base[block], self.blocks.tries[block] = base, tries
        self.log.skip_full_page(self.log.resume(which, block, start + self.layout.first, RunTable(), RECORDS))
        self.log.sequence = max(self.log.sequence, base + 1)  # the base is no frame's number
        return True

    def wake(self, which: int) -> None:
        """Before the first frame of a head after a mount: step over what a cut may have left behind its tail, and leave
        the pattern of a settled one. Two programs at most; the head is left without a block when that has no room."""
        head = self.log.heads[which]
        if head is None or not head.asleep:
            return
        head.asleep, head.room_end = False, self.log.room_end_of(head, len(head.table.runs))
        end, sequence = head.at, self.log.sequence
        again = self.log.fence(head, head.at, head.table.next_order) if head.quiet else 0
        if again <= AGAIN_MAX and self.log.fits(which, Kind.MARK, 0, 0, 0, 0):
            self.log.append(which, Kind.MARK, 0, 0, 0, b"", again)
            head.quiet = False
            return
        head.at, self.log.sequence = end, sequence
        if head.quiet:  # its last frame may be weak: a seal must not vouch for it
            self.log.heads[which] = None
            self.blocks.abandon(head.block, SEQUENCE_END)
        else:
            self.leave(which)

    def mark(self, which: int) -> None:
        """A MARK behind the head's last frame, in another block where this one has no room. Raises OutOfBlocks."""
        self.wake(which)
        if not self.log.fits(which, Kind.MARK, 0, 0, 0, 0):
            self.advance(which)
        self.log.append(which, Kind.MARK, 0, 0, 0, b"")

    def end_with_marks(self) -> None:
        """End every head that was written to with a MARK, as a mount leaves it. Raises OutOfBlocks."""
        for which, head in enumerate(self.log.heads):
            if head is not None and head.table.runs and head.table.runs[-1].kind != Kind.MARK:
                self.mark(which)

    def leave(self, which: int) -> None:
        """Close the head's block: the run entries, if they have room, and the seal. One program a page."""
        head = self.log.heads[which]
        assert head is not None
        raw = seal_of(head, self.layout)
        if which == 0:
            self.blocks.written_at[head.block] = self.log.logged_bytes
        self.log.heads[which] = None
        try:
            self.log.program(head.end - len(raw), raw)
            self.blocks.close(head.block)
        except FlashError:
            self.blocks.failing.add(head.block)
            self.blocks.abandon(head.block, SEQUENCE_END)
