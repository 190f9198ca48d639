"""Cleaning: which block's live frames are written again at the log's end, and when. And levelling the wear."""

from __future__ import annotations

from simfs.flash import FlashError, Rng
from simfs.store.cleaning.mover import Mover
from simfs.store.cleaning.policies import policy
from simfs.store.format.codec import Kind
from simfs.store.format.errors import CorruptStore, OutOfBlocks
from simfs.store.log.state import StoreState
from simfs.store.tables.listener import Cause

NAMES_SHARE = 4  # of the capacity: if the names of removed files take a quarter of it, they are worth a whole cleaning
_NEVER_DRAWN_FROM = Rng(0)  # to make one takes a while


class _LastBlock(Exception):
    """Only one dead block is left."""


class Cleaner:
    """Cleans blocks of a store's state. Relocated frames go to the last log head."""

    def __init__(self, state: StoreState) -> None:
        self._state = state
        self._head = len(state.log.heads) - 1
        self._blocks = state.blocks
        self._free_floor = state.config.reserve
        self._draws = state.config.cleaner in ("random", "best-of-d")  # to ask for a victim changes the next one
        self._may_level = False
        self._moves_cold = False
        self.cause: Cause | None = None  # of what it does now
        self.makes_room_for = 0  # the kind of the frame that needed room last
        rng = Rng(state.config.seed, "cleaner", state.log.sequence) if self._draws else _NEVER_DRAWN_FROM
        self._choose = policy(state.config, state.blocks, state.layout.block_room, lambda: state.log.logged_bytes, rng)

    @property
    def memory(self) -> tuple[bool, bool]:
        """What it remembers from one cleaning to the next."""
        return self._may_level, self._moves_cold

    def make_room(self, which: int, kind: int, file: int, offset: int, length: int, payload_bytes: int) -> None:
        """See to it that this frame fits the head's open block: clean, seal, erase and open blocks as it takes.
        Raises OutOfBlocks when a whole round of cleaning brings nothing."""
        log, blocks = self._state.log, self._blocks
        self.makes_room_for = kind
        self._state.segments.wake(which)
        tries = 4 * len(blocks)
        overfull = self._state.committed > blocks.capacity  # since blocks were lost: cleaning may bring nothing
        fits, looked = False, -1
        while True:
            if log.sequence != looked or fits:  # a cleaning that moved nothing makes no room
                fits = log.fits(which, kind, file, offset, length, payload_bytes, self._is_cramped())
                looked = log.sequence
            if self._state.segments.name() or self._free_dead():
                fits, looked = False, -1
                continue
            free_count = blocks.free_count
            if fits and (free_count >= self._free_floor or not tries or overfull):
                return
            if free_count > self._free_floor or (free_count and not blocks.closed):
                self._state.segments.advance(which)
            elif tries and blocks.closed and free_count == 1 and blocks.named:
                tries -= 1
                least = self._least()
                if not self.clean(least):  # some of it may have gone where there was room
                    self._exchange(least)
            elif tries and blocks.closed:
                tries -= 1
                lagging = self._lagging()
                self._moves_cold = lagging is not None or self._head > 0
                cause = Cause.RELOCATION if lagging is None else Cause.LEVELLING
                self.clean(self._victim() if lagging is None else lagging, cause)
            else:
                raise blocks.exhausted()

    def _free_dead(self) -> bool:
        """Where no dead block is named any more, as after many power cuts: free the one that takes the least."""
        blocks = self._blocks
        if blocks.named or blocks.freed or not blocks.closed:
            return False
        least = self._least()
        if not self._has_room_open(least):
            return False
        self.clean(least)
        return least in blocks.freed

    def _least(self) -> int:
        """The closed block with the least that is live."""
        live = self._blocks.live
        return min(self._blocks.closed, key=lambda block: (live[block], block))

    def _has_room_open(self, block: int) -> bool:
        """Whether the block's live frames fit the open block of relocated data, so that the last dead one is kept."""
        live, head = self._blocks.live[block], self._state.log.heads[self._head]
        if not live or head is None:
            return not live
        room = self._state.log.room_left(self._head, unlisted=True)
        return live <= min(room, self._state.segments.room_before_statement(head))

    def _exchange(self, victim: int) -> None:
        """Open the last dead block so that it brings others: the live frames of a closed block, and of as many more as
        fit, are written in it first. Costs what cleaning these blocks and opening one do."""
        blocks = self._blocks
        self._state.meters.cleanings += 1
        self.cause = Cause.RELOCATION
        try:
            self._state.segments.exchange(self._head, lambda: self._move_within(victim))
        finally:
            self.cause = None
        for block in blocks.failing & {*blocks.freed, *blocks.named}:
            self._state.segments.retire(block)

    def _move_within(self, victim: int) -> None:
        """Move what is live in the block, and then in those with the least, where it fits the open block."""
        state, blocks = self._state, self._blocks
        mover = Mover(state, self._fit_here, lambda: True)
        for block in [victim, *sorted(set(blocks.closed) - {victim}, key=lambda one: (blocks.live[one], one))]:
            if block != victim and not self._has_room_open(block):
                return
            try:
                mover.move(block)
            except (CorruptStore, FlashError):
                return
            blocks.free(block, -1)

    def _fit_here(self, kind: int, file: int, offset: int, length: int, payload_bytes: int) -> int:
        log, segments = self._state.log, self._state.segments
        fits = log.fits(self._head, kind, file, offset, length, payload_bytes, unlisted=True)
        head = log.heads[self._head]
        if head is None or not fits or self._state.layout.pitch(payload_bytes) > segments.room_before_statement(head):
            raise FlashError("program", 0)
        return self._head

    def forget_names(self, growth: int) -> bool:
        """Whether `growth` bytes of room fit once the names of removed files are gone, where these take much of it:
        then the log goes around the flash until no frame is left that gives a file such a name. Costs a cleaning and a
        change of block for each block, twice at most. Raises OutOfBlocks."""
        state, blocks = self._state, self._blocks
        names = state.claims.tomb_bytes
        if names * NAMES_SHARE < blocks.capacity or state.committed + growth - names > blocks.capacity:
            return False
        for _ in range(2 * len(blocks)):
            self.make_room(0, Kind.NAME, 0, 0, state.config.name_bytes, state.config.name_bytes)
            if blocks.closed and blocks.free_count == 1 and blocks.named:
                self._exchange(self._least())
            elif blocks.closed and blocks.free_count > 1:
                self.clean(min(blocks.closed, key=blocks.base.__getitem__))
            if blocks.free_count > 1:
                state.segments.advance(0)
            if state.committed + growth <= blocks.capacity:
                return True
        return False

    def _lagging(self) -> int | None:
        """The closed block of least wear, when it lags too far behind. Every second cleaning at most, so that
        levelling never takes more than the flash's other work; its data go to a block that was in use till now,
        which so gets its rest."""
        blocks, threshold = self._blocks, self._state.config.level_threshold
        self._may_level = not self._may_level
        if not threshold or self._may_level or blocks.free_count < self._free_floor or blocks.failing:
            return None
        least, coldest = blocks.closed_by_wear[0]
        if blocks.erase_count_max - least <= threshold or not self._can_move(coldest):
            return None
        self._state.meters.blocks_levelled += 1
        return coldest

    def _victim(self) -> int:
        """A block that is failing, else the policy's, or, where that has too many small pieces to move now, the one
        with the least."""
        blocks = self._blocks
        if blocks.failing:
            failing = [block for block in blocks.closed if block in blocks.failing and self._can_move(block)]
            if failing:
                return min(failing, key=blocks.live.__getitem__)
        victim = self._choose(blocks.closed)
        return victim if self._can_move(victim) else min(blocks.closed, key=blocks.live.__getitem__)

    def _can_move(self, block: int) -> bool:
        """Whether the live frames of a block fit the blocks at hand. Many small pieces may take more than a block."""
        live, layout = self._blocks.live[block], self._state.layout
        return live <= layout.block_room or (live <= layout.block_bytes and self._blocks.free_count > 1)

    def clean(self, victim: int, cause: Cause = Cause.RELOCATION) -> bool:
        """Write the block's live frames again and free it. Reads its run entries (or its frames) and the live bytes;
        programs what is live, and what block changes take. A block with live frames that can't be read is set
        aside, with those. False when the last dead block would be needed: then some of it stays where it is."""
        state = self._state
        state.meters.cleanings += 1
        before, self.cause = state.log.sequence, cause
        try:
            Mover(self._state, self._fit, self._is_cramped).move(victim)
        except _LastBlock:
            return False
        except (CorruptStore, FlashError):
            state.blocks.set_aside(victim)
            return True
        finally:
            self.cause = None
        moved = state.log.sequence != before
        state.blocks.free(victim, state.log.sequence if moved else -1)
        if victim in state.blocks.failing:
            state.segments.retire(victim)
        return True

    def _fit(self, kind: int, file: int, offset: int, length: int, payload_bytes: int) -> int:
        """The head that a moved frame goes to: that of relocated data, or another where no block is left for that one,
        as when a cut has taken its block away. Raises OutOfBlocks, and _LastBlock."""
        log, segments, which = self._state.log, self._state.segments, self._head
        segments.wake(which)
        while not log.fits(which, kind, file, offset, length, payload_bytes, self._is_cramped()):
            if self._blocks.free_count == 1 and self._blocks.named:
                raise _LastBlock  # it is exchanged, so that a cut finds another dead one named
            try:
                segments.advance(which, self._moves_cold)
            except OutOfBlocks:
                if which == 0 or log.heads[which] is not None:
                    raise
                which = 0
                segments.wake(which)
        return which

    def _is_cramped(self) -> bool:
        """Whether moved frames may take the room of the run entries: no spare block, or more live than listings
        allow."""
        state, blocks = self._state, self._blocks
        return blocks.free_count < self._free_floor or state.committed > state.layout.listed_capacity

    def idle(self, budget_ns: int) -> int:
        """Erase and clean ahead while the typical times fit into `budget_ns`; what was used of it, in ns of program
        and erase."""
        state = self._state
        flash, sheet = state.flash, state.flash.datasheet
        before = flash.counts.busy_ns(sheet)
        erase_ns = sheet.erase_typ_ns + 2 * sheet.program_typ_ns  # with the marks
        clean_ns = 3 * erase_ns + 2 * sheet.program_typ_ns * (state.layout.block_bytes // state.layout.page_bytes)
        while True:
            left = budget_ns - (flash.counts.busy_ns(sheet) - before)
            if left >= erase_ns and state.segments.erase_ahead():
                state.segments.tell_bad()
                continue
            if left < clean_ns or not self.is_wanted() or self._blocks.free_count < 2:  # the last one is exchanged
                return flash.counts.busy_ns(sheet) - before
            self.clean(self._victim())

    def is_wanted(self) -> bool:
        """Whether cleaning ahead of need would not wear the flash for little: free blocks are few, and some closed
        block is at least a quarter dead."""
        blocks = self._blocks
        if blocks.free_count > self._free_floor:
            return False
        return any(blocks.live[block] * 4 <= 3 * self._state.layout.block_room for block in blocks.closed)
