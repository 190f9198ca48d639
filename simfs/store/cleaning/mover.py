"""Moving: what is live in a block is written again at the log's end."""

from __future__ import annotations

from collections.abc import Callable

from simfs.store.format.codec import BASE, CLAIMS, DATA, TELLING, U32, Frame, Kind
from simfs.store.format.errors import CorruptStore
from simfs.store.format.runs import Run
from simfs.store.log.block_scan import runs_of
from simfs.store.log.state import StoreState

Fit = Callable[[int, int, int, int, int], int]
"""Gets room for a frame (kind, file, offset, length, payload bytes), and says which head it goes to."""


class Mover:
    """Moves the live frames of blocks. `fit` finds room for each; while `cramped`, moved frames may take that of run
    entries."""

    def __init__(self, state: StoreState, fit: Fit, cramped: Callable[[], bool]) -> None:
        self._state = state
        self._blocks = state.blocks
        self._head = len(state.log.heads) - 1
        self._fit = fit
        self._cramped = cramped
        self._last: Run  # of the frame appended last

    def move(self, victim: int) -> None:
        """Write again what is live in the block. CorruptStore when some of it can't be found."""
        state = self._state
        claims = []
        for run in sorted(runs_of(state, victim), key=lambda run: (run.file, run.offset)):  # so that neighbours join
            if run.kind == Kind.DATA or run.kind == Kind.HOLE:
                self._move_data(run, victim)
            elif run.kind in CLAIMS:
                claims.append(state.reader.frame(run.address))
            elif run.kind in TELLING:
                self._move_told(run)
        self._move_claims(victim, claims)
        if state.blocks.live[victim]:
            raise CorruptStore(f"block {victim} is cleaned, yet {state.blocks.live[victim]} bytes are live")

    def _move_told(self, run: Run) -> None:
        """What a frame or a statement tells of blocks that are bad or were left without a seal, as far as it is still
        the newest of them."""
        state, segments = self._state, self._state.segments
        for block in [block for block, address in segments.told_at.items() if address == run.address]:
            if segments.told_at.get(block) != run.address:  # a change of block has named it meanwhile
                continue
            if state.blocks.is_bad(block):
                self._append(Kind.BAD, block, 0, 0, b"")
            else:
                base, end = state.blocks.base[block], state.blocks.left_end[block]
                self._append(Kind.LEFT, block, end, BASE.size, BASE.pack(base))
            if block in segments.told_at:  # else a change of block has named it on the way
                segments.note_told(block, self._last.address)

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
        room = self._state.log.room_left(self._head, self._cramped())
        return room if not layout.page_packing and layout.split_bytes_min <= room < whole else whole

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

    def _append(self, kind: int, file: int, offset: int, length: int, payload: bytes) -> None:
        log, which = self._state.log, self._fit(kind, file, offset, length, len(payload))
        if kind == DATA:
            self._last = log.write(which, file, offset, payload)
        else:
            self._last = log.append(which, kind, file, offset, length, payload)
