"""What comes after a full block: its seal, the next block erased, the statement with which the log goes on there."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from weakref import WeakMethod

from simfs.flash import FlashError
from simfs.store.format.codec import BAD, BASE, LEFT, ORDER_MAX, salt_of
from simfs.store.format.layout import align_up
from simfs.store.format.runs import RunTable
from simfs.store.format.statement import Left, Settings, encode_statement
from simfs.store.log.heads import Head, Log
from simfs.store.log.marks import program_mark, program_statement
from simfs.store.log.seal import seal_of
from simfs.store.log.statements import NAMED, Statements
from simfs.store.tables.claims import Claims
from simfs.store.tables.meters import Meters


def _weakly(method: Callable[[int], None]) -> Callable[[int], None]:
    """Calls the method, but does not keep its object alive: a store that nobody needs leaves memory at once."""
    known = WeakMethod(method)

    def call(which: int) -> None:
        found = known()
        assert found is not None
        found(which)

    return call


class Segments(Statements):
    """Moves the log's heads from block to block."""

    def __init__(self, log: Log, settings: Settings, claims: Claims, meters: Meters) -> None:
        super().__init__(log, settings, claims, meters)
        log.on_failure = _weakly(self._replace_block)

    def wake(self, which: int) -> None:
        """Before the first frame of a head after a mount: NEXT behind the ruling statement, and what the head's next
        frame has to say first. Two programs at most; the head is left without a block when that has no room."""
        if self.next_mark is not None:
            at, self.next_mark = self.next_mark, None
            try:
                program_mark(self.flash, self.layout, at)
            except FlashError:
                self.blocks.failing.add(self.lead)
                self._abandon(self._head_of_lead())
        head = self.log.heads[which]
        if head is None or not head.asleep:
            return
        head.asleep, head.room_end = False, self.log.room_end_of(head, len(head.table.runs))
        if head.void_from is None:
            return
        if self.log.fits(which, LEFT, 0, 0, 0, BASE.size):
            self.log.skip(which)
        else:
            self._abandon(which)

    def _head_of_lead(self) -> int:
        return next(at for at, head in enumerate(self.log.heads) if head and head.block == self.lead)

    def advance(self, which: int, cold: bool = False) -> None:
        """Leave the head's block, sealed, and open another one: a worn one for `cold` data. Costs an erase, two marks,
        a seal and a statement. Raises OutOfBlocks when there is none."""
        self.wake(which)
        block = self._clean_block(cold)
        for one in sorted({which, len(self.log.heads) - 1} if self._awaits_head(block) else {which}):
            self.leave(one)
        self._open(which, block, cold)
        self.tell_bad()

    def _awaits_head(self, block: int) -> bool:
        """Whether the block's live frames went to a block that the head of relocated data still has open: that one is
        closed before anything else is written in the place of its source."""
        head = self.log.heads[-1]
        return head is not None and self.blocks.freed_at[block] > head.base

    def leave(self, which: int) -> None:
        """Close the head's block: SEALING, then the run entries, if they have room, and the seal. One program a page,
        one more for the mark. The block in which the log goes on is erased before: a mount relies on that."""
        self.wake(which)
        head = self.log.heads[which]
        if head is None:
            return
        raw = seal_of(head, self.layout)
        if which == 0:
            self.blocks.written_at[head.block] = self.log.logged_bytes
        self.log.heads[which] = None
        try:
            program_mark(self.flash, self.layout, head.start + self.layout.sealing_at)
            self.log.program(head.start + self.layout.seal_end - len(raw), raw)
            self.blocks.close(head.block)
        except FlashError:
            self.blocks.failing.add(head.block)
            self._close_unsealed(head)

    def _close_unsealed(self, head: Head) -> None:
        end = (head.at if head.void_from is None else head.void_from) - head.start
        self.untold.append(Left(head.block, head.base, end))
        self.blocks.leave(head.block, end)

    def _abandon(self, which: int) -> None:
        """Leave the head's block without a seal."""
        head = self.log.heads[which]
        assert head is not None
        self.log.heads[which] = None
        self._close_unsealed(head)

    def _replace_block(self, which: int) -> None:
        """A program failed in the head's open block: what stands before it counts."""
        head = self.log.heads[which]
        assert head is not None
        self.blocks.failing.add(head.block)
        self._abandon(which)
        self._open(which, self._clean_block(False), False)

    def _clean_block(self, cold: bool) -> int:
        """A block that the ruling statement names, erased: the most worn for cold data, which give it a rest, else the
        least worn. Raises OutOfBlocks when none of them can be erased."""
        if self.ready is not None and not cold:
            return self.ready
        choose = max if cold else min
        while named := self.erasable & set(self.blocks.named):
            block = choose(named, key=lambda one: (self.blocks.erase_count[one], one))
            if block == self.ready or self._erase(block):
                return block
            self.name()  # before the other one is tried, which may fail as well
        raise self.blocks.exhausted()

    @property
    def can_erase_ahead(self) -> bool:
        """Whether idle time may be used for an erase."""
        return self.ready is None and bool(self.blocks.named)

    def erase_ahead(self) -> bool:
        """In idle time: erase the block that the log goes on in next. False when there is nothing to do."""
        if not self.can_erase_ahead:
            return False
        self.wake(0)
        self.name()  # once LEFT stands in the lead, it takes no statement
        self._clean_block(cold=False)
        return True

    def _erase(self, block: int) -> bool:
        """Erase a named block: LEFT in the lead, the erase, a look whether it is blank. False when the block has turned
        out bad."""
        if not self.is_left:
            self.mark_left()
        try:
            self.erase(block)
        except FlashError:
            self.retire(block)
            return False
        self.blocks.make_ready(block)
        self.ready = block
        return True

    def mark_left(self) -> None:
        """LEFT in the lead: no recovery goes on in it, since a named block may be half erased. Where cuts have left it
        weak, SEALING says as much. Two programs at most."""
        self.is_left = True
        start, layout = self.lead * self.layout.block_bytes, self.layout
        with suppress(FlashError):  # then the next recovery tries in vain to go on there
            if not program_mark(self.flash, layout, start + layout.left_at):
                program_mark(self.flash, layout, start + layout.sealing_at)

    def _open(self, which: int, block: int, cold: bool) -> None:
        """Go on in an erased block, or in another one where that fails."""
        while not self._state_in(which, block, cold):
            self.log.sequence += 1  # newer than the statement that failed, which may be readable
            self.retire(block)
            block = self._clean_block(cold)

    def exchange(self, which: int, move: Callable[[], None]) -> None:
        """As `advance`, but `move` writes frames in the new block before its statement is there, and so frees another
        block, which the statement names. Raises OutOfBlocks."""
        self.wake(which)
        block = self._clean_block(cold=False)
        self.leave(which)
        self._begin(block)
        head = self.log.resume(which, block, block * self.layout.block_bytes + self.layout.first, RunTable(), 0)
        begin, replaces, self.log.on_failure = head.at, self.log.on_failure, self._give_up_block
        try:
            move()
        finally:
            self.log.on_failure = replaces
        at = 0 if head.at == begin else align_up(head.at - head.start, self.layout.page_bytes)
        if self._state_at(which, block, at, cold=False):
            return
        self.log.sequence += 1  # newer than the statement that failed, which may be readable
        self.retire(block)
        if at:  # what was moved is read there until the next mount, which finds it where it was
            raise self.blocks.exhausted()
        self._open(which, self._clean_block(False), False)

    def _give_up_block(self, which: int) -> None:
        head = self.log.heads[which]
        assert head is not None
        self.blocks.failing.add(head.block)
        raise FlashError("program", head.at)

    def _begin(self, block: int) -> None:
        """An erased block begins a new life."""
        self.before, self.before_base = self.lead, self.lead_base
        self.blocks.open(block)
        self.blocks.hold(block, self.log.sequence, salt_of(block, self.log.sequence))
        self.ready = None if self.ready == block else self.ready

    def _state_in(self, which: int, block: int, cold: bool) -> bool:
        """Program a statement at the start of a blank block, which is the lead then. False when that failed."""
        self._begin(block)
        self.log.resume(which, block, block * self.layout.block_bytes, RunTable(), 0)
        return self._state_at(which, block, 0, cold)

    def _state_at(self, which: int, block: int, at: int, cold: bool) -> bool:
        self._name_dead(cold)
        base = self.blocks.base[block]
        said = self.statement(which, block, base, self.log.sequence - base)
        raw = encode_statement(block, said)
        place = self.layout.place(at, len(raw))
        try:
            program_statement(self.log, block, place, raw, said, goes_on=True)
        except FlashError:
            self.log.heads[which] = None
            return False
        self.lead, self.lead_base, self.is_left = block, base, False
        self._follow(which, said, place)
        return True

    def name(self) -> bool:
        """Name dead blocks in a statement on the next page of the lead, where fewer are named than should be. Up to two
        pages and four programs. False when there is nothing to name, or no room: then the next statement does it."""
        if len(self.blocks.named) >= NAMED or not (self.blocks.freed or self.blocks.unused_count):
            return False
        which = next((at for at, head in enumerate(self.log.heads) if head and head.block == self.lead), None)
        if which is None:
            return False
        self.wake(which)
        head = self.log.heads[which]
        if head is None:
            return False
        length = len(encode_statement(self.lead, self.statement(which, self.lead, head.base, 0)))
        place = self.layout.place(align_up(head.at - head.start, self.layout.page_bytes), length)
        order = self.log.sequence - head.base
        if head.start + place.frames > self.log.room_end_of(head, len(head.table.runs) + 1) or order > ORDER_MAX:
            return False
        self._name_dead(cold=False)
        said = self.statement(which, self.lead, head.base, order)
        head.at = head.start + place.fence
        try:
            program_statement(self.log, self.lead, place, encode_statement(self.lead, said), said, goes_on=True)
        except FlashError:
            self.log.sequence += 1
            self._replace_block(which)
            return True
        self._follow(which, said, place)
        return True

    def tell_bad(self) -> None:
        """Write BAD frames for the bad blocks that have none on the flash yet. One program each; one more open block
        when none has room for that. Raises OutOfBlocks."""
        for block in [
            block for block, address in self.told_at.items() if address is None and self.blocks.is_bad(block)
        ]:
            which = next(filter(self._fits_bad, range(len(self.log.heads))), None)
            if which is None:
                which, clean = 0, self._clean_block(False)
                self.leave(which)
                self._open(which, clean, False)
            self.note_told(block, self.log.append(which, BAD, block, 0, 0, b"").address)

    def _fits_bad(self, which: int) -> bool:
        self.wake(which)
        return self.log.fits(which, BAD, 0, 0, 0, 0)
