"""Cleaning: the live frames of a block are written again at the log's end, then the block is free. And levelling the
wear."""

from __future__ import annotations

from simfs.flash import FlashError, Rng
from simfs.store.cleaning.policies import policy
from simfs.store.format.codec import CLAIMS, DATA, U32, Frame, Kind
from simfs.store.format.errors import CorruptStore, OutOfBlocks
from simfs.store.format.runs import Run
from simfs.store.log.block_scan import runs_of
from simfs.store.log.state import StoreState
from simfs.store.tables.blocks import SEQUENCE_END, State
from simfs.store.tables.listener import Cause

_NEVER_DRAWN_FROM = Rng(0)  # to make one takes a while


class Cleaner:
    """Cleans blocks of a store's state. Relocated frames go to the last log head."""

    def __init__(self, state: StoreState) -> None:
        self._state = state
        self._head = len(state.log.heads) - 1
        self._blocks = state.blocks
        self._free_floor = state.config.reserve - self._head  # the other head's next block comes out of the reserve
        self._draws = state.config.cleaner in ("random", "best-of-d")  # to ask for a victim changes the next one
        self._may_level = False
        self._moves_cold = False
        self._last: Run  # of the frame appended last
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
            free_count = len(blocks.ready) + len(blocks.freed)
            if fits and (free_count >= self._free_floor or not tries or overfull):
                return
            if free_count > self._free_floor or (free_count and not blocks.closed):
                self._state.segments.advance(which)
            elif tries and blocks.closed:
                tries -= 1
                lagging = self._lagging()
                self._moves_cold = lagging is not None or self._head > 0
                cause = Cause.RELOCATION if lagging is None else Cause.LEVELLING
                self.clean(self._victim() if lagging is None else lagging, cause)
            else:
                raise blocks.exhausted()

    def _lagging(self) -> int | None:
        """The closed block of least wear, when it lags too far behind. Every second cleaning at most, so that
        levelling never takes more than the flash's other work; its data go to a block that was in use till now,
        which so gets its rest."""
        blocks, threshold = self._blocks, self._state.config.level_threshold
        self._may_level = not self._may_level
        if not threshold or self._may_level or blocks.free_count < self._free_floor or self._blocks.in_doubt:
            return None
        least, coldest = blocks.closed_by_wear[0]
        if blocks.erase_count_max - least <= threshold or not self._can_move(coldest):
            return None
        self._state.meters.blocks_levelled += 1
        return coldest

    def _victim(self) -> int:
        """A block in doubt, else the policy's, or, where that has too many small pieces to move now, the one with the
        least."""
        blocks = self._blocks
        if blocks.in_doubt:
            able = self._able()
            doubtful = [block for block in able if block in blocks.in_doubt and self._can_move(block)]
            return min(doubtful or able, key=blocks.live.__getitem__)
        victim = self._choose(blocks.closed)
        return victim if self._can_move(victim) else min(blocks.closed, key=blocks.live.__getitem__)

    def _able(self) -> list[int]:
        """The closed blocks that may be cleaned: none that alone tells of an older one in doubt how far that counts."""
        blocks = self._blocks
        waiting = (below for block, below in blocks.in_doubt.items() if blocks.state[block] == State.CLOSED)
        bound = min(waiting, default=SEQUENCE_END)
        return [block for block in blocks.closed if blocks.may_go(block, bound)]

    def _can_move(self, block: int) -> bool:
        """Whether the live frames of a block fit the blocks at hand. Many small pieces may take more than a block."""
        live, layout = self._blocks.live[block], self._state.layout
        return live <= layout.block_room or (live <= layout.block_bytes and self._blocks.free_count > 1)

    def restore_reserve(self) -> None:
        """After a mount, which may have taken blocks of the reserve: take up again what is dead, and clean where two
        blocks at most give one, so that it comes to an end."""
        blocks = self._blocks
        while blocks.free_count < self._free_floor and blocks.closed:
            victim = min(self._able(), key=lambda block: (blocks.live[block], blocks.base[block]))
            if blocks.live[victim] * 2 > self._state.layout.block_room:
                return
            try:
                self.clean(victim)
            except OutOfBlocks:  # nothing is lost; a write will say so
                return

    def clean(self, victim: int, cause: Cause = Cause.RELOCATION) -> None:
        """Write the block's live frames again and free it. Reads its run entries (or its frames) and the live bytes;
        programs what is live, and what block changes take. A block with live frames that can't be read is set
        aside, with those."""
        state = self._state
        state.meters.cleanings += 1
        before, self.cause = state.log.sequence, cause
        try:
            self._move(victim)
        except (CorruptStore, FlashError):
            state.blocks.set_aside(victim)
            return
        finally:
            self.cause = None
        moved = state.log.sequence != before
        state.blocks.free(victim, state.log.sequence if moved else -1)
        if victim in state.blocks.failing:
            state.segments.retire(victim)

    def _move(self, victim: int) -> None:
        """Write again what is live in the block. CorruptStore when some of it can't be found."""
        state = self._state
        claims = []
        for run in sorted(runs_of(state, victim), key=lambda run: (run.file, run.offset)):  # so that neighbours join
            if run.kind == Kind.DATA or run.kind == Kind.HOLE:
                self._move_data(run, victim)
            elif run.kind in CLAIMS:
                claims.append(state.reader.frame(run.address))
            elif run.kind == Kind.BAD and state.segments.bad_at.get(run.file) == run.address:
                self._append(Kind.BAD, run.file, 0, 0, b"")
                state.segments.note_bad(run.file, self._last.address)
        self._move_claims(victim, claims)
        if state.blocks.live[victim]:
            raise CorruptStore(f"block {victim} is cleaned, yet {state.blocks.live[victim]} bytes are live")

    def _move_data(self, run: Run, victim: int) -> None:
        state = self._state
        node = state.nodes.get(run.file)
        if node is None:
            return
        start = run.offset
        if run.kind == Kind.HOLE:
            start = state.reader.zeros_from(run)
        for begin, end, place in list(state.index.pieces(node, start, run.offset + run.length)):
            if place == run.address:
                self._move_bytes(run.file, begin, end, place, victim)
            elif place == -run.address:
                self._append(Kind.HOLE, node.number, end, 0, U32.pack(begin))
                state.index.put(node, begin, end - begin, -self._last.address)

    def _move_bytes(self, file: int, begin: int, end: int, place: int, victim: int) -> None:
        state = self._state
        node = state.nodes[file]
        data = state.reader.span(file, place, begin, end)
        self._age(victim)
        at = begin
        while at < end:
            chunk = data[at - begin : at - begin + self._chunk_bytes(end - at)]
            self._append(Kind.DATA, file, at, len(chunk), chunk)
            state.index.put(node, at, len(chunk), self._last.address)
            state.meters.relocated_bytes += len(chunk)
            at += len(chunk)

    def _chunk_bytes(self, left: int) -> int:
        """As much as one frame may hold; less when that fills the block to its end."""
        layout = self._state.layout
        whole = min(left, layout.buffer_bytes)
        room = self._state.log.room_left(self._head, self._is_cramped())
        return room if not layout.page_packing and layout.split_bytes_min <= room < whole else whole

    def _is_cramped(self) -> bool:
        """Whether moved frames may take the room of the run entries: no spare block, or more live than listings
        allow."""
        state, blocks = self._state, self._blocks
        return len(blocks.ready) + len(blocks.freed) <= 1 or state.committed > state.layout.listed_capacity

    def _age(self, victim: int) -> None:
        """With a head of their own, relocated data keep their age."""
        head = self._state.log.heads[self._head]
        if self._head and head is not None:
            written_at = self._blocks.written_at
            written_at[head.block] = max(written_at[head.block], written_at[victim])

    def _move_claims(self, victim: int, claims: list[tuple[Frame, bytes]]) -> None:
        """Judge the claims that go with their block: write again what still counts of them."""
        state = self._state
        going = [state.claims.key(payload.split(b"\0")[0]) for frame, payload in claims if frame.kind != Kind.REMOVE]
        state.segments.bearers_in[victim] = going
        for frame, payload in claims:
            node = state.nodes.get(frame.file)
            if frame.kind != Kind.REMOVE and node is not None and node.name_place == frame.address:
                assert node.name is not None
                self._append(Kind.NAME, node.number, node.size, len(node.name), node.name)
                state.claims.bear(node.name)
                state.move_name(node, self._last.address)
            if frame.kind != Kind.NAME:
                self._move_tomb(frame, payload.split(b"\0")[-1], going)

    def _move_tomb(self, frame: Frame, name: bytes, going: list[bytes]) -> None:
        claims = self._state.claims
        if claims.must_move(name, frame.address, going):
            self._append(Kind.REMOVE, frame.file, 0, len(name), name)
            claims.free_name(name, self._last.address)
        else:
            claims.drop_tomb_at(name, frame.address)

    def _fit(self, kind: int, file: int, offset: int, length: int, payload_bytes: int) -> int:
        """The head that the frame goes to: that of relocated data, or another where no block is left for that one, as
        when a cut has taken its block away. Raises OutOfBlocks."""
        log, segments, which = self._state.log, self._state.segments, self._head
        segments.wake(which)
        while not log.fits(which, kind, file, offset, length, payload_bytes, self._is_cramped()):
            try:
                segments.advance(which, self._moves_cold)
            except OutOfBlocks:
                if which == 0 or log.heads[which] is not None:
                    raise
                which = 0
                segments.wake(which)
        return which

    def _append(self, kind: int, file: int, offset: int, length: int, payload: bytes) -> None:
        log, which = self._state.log, self._fit(kind, file, offset, length, len(payload))
        if kind == DATA:
            self._last = log.write(which, file, offset, payload)
        else:
            self._last = log.append(which, kind, file, offset, length, payload)

    def idle(self, budget_ns: int) -> int:
        """Erase and clean ahead while the typical times fit into `budget_ns`; what was used of it, in ns of program
        and erase."""
        state = self._state
        flash, sheet = state.flash, state.flash.datasheet
        before = flash.counts.busy_ns(sheet)
        erase_ns = sheet.erase_typ_ns + 2 * sheet.program_typ_ns  # with the discard mark and the erase record
        clean_ns = 3 * erase_ns + 2 * sheet.program_typ_ns * (state.layout.block_bytes // state.layout.page_bytes)
        while True:
            left = budget_ns - (flash.counts.busy_ns(sheet) - before)
            erasable = state.segments.erasable()
            if erasable and left >= erase_ns:
                state.segments.erase(erasable[0])
                state.segments.tell_bad()
                continue
            if left < clean_ns or not self.is_wanted():
                return flash.counts.busy_ns(sheet) - before
            self.clean(self._victim())

    def is_wanted(self) -> bool:
        """Whether cleaning ahead of need would not wear the flash for little: free blocks are few, and some closed
        block is at least a quarter dead."""
        blocks = self._blocks
        if blocks.free_count > self._state.config.reserve:
            return False
        return any(blocks.live[block] * 4 <= 3 * self._state.layout.block_room for block in blocks.closed)
