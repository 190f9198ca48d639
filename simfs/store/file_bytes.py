"""The bytes of files: what waits in buffers, what goes to the log, and reading both."""

from __future__ import annotations

import errno
from collections.abc import Sequence
from typing import NamedTuple

from simfs.store.cleaning.room import Room, error
from simfs.store.format.codec import DATA, SIZE_MAX, U32, Kind
from simfs.store.log.even_frames import EvenPayloads
from simfs.store.log.heads import Batch
from simfs.store.log.state import StoreState
from simfs.store.tables.spans import FileNode


class Filled(NamedTuple):
    """A write, of several done at once, that filled the file's buffer: which one it was, the page programs that it
    took, and the store's live bytes after it."""

    number: int
    programs: int
    live_bytes: int


class FileBytes:
    """Reads and writes the contents of files."""

    def __init__(self, state: StoreState, room: Room) -> None:
        self.state = state
        self._room = room
        self._log = state.log
        self._blocks = state.blocks
        self._claims = state.claims
        self._meters = state.meters
        self._index = state.index
        self._buffer_bytes = state.layout.buffer_bytes

    def size(self, node: FileNode) -> int:
        """The file's size with the bytes that wait in its buffer."""
        return max(node.size, node.buffer_at + len(node.buffer)) if node.buffer else node.size

    def sizes(self, node: FileNode) -> tuple[int, int]:
        """The file's size, and its bytes without the holes; what waits in its buffer is counted in both."""
        stored = node.size if min(node.places, default=1) > 0 else node.size - self._index.hole_bytes(node)
        size = self.size(node)
        return size, stored + size - max(node.size, node.buffer_at if node.buffer else 0)

    def sure_bytes(self) -> int:
        """So many bytes a file takes in one piece without a refusal, in whatever steps they are written; 0 where a
        flash may fail."""
        state, layout = self.state, self.state.layout
        if self._blocks.read_only or not state.flash.takes_late:
            return 0
        free = self._blocks.capacity - state.committed - 4 * (layout.full_cost + layout.hole_cost)
        return max(free, 0) * layout.buffer_bytes // (2 * layout.full_cost)

    def together_bytes(self, node: FileNode, offset: int, least: int, most: int) -> int:
        """So many bytes from an offset on, of `most`, may be written at once by `write_together`: they wait in the
        file's buffer, or, where they make the file longer, as many as fill it also go into the open block with nothing
        in between. 0 where it would be fewer than `least` anyway."""
        size, waiting = self._buffer_bytes, len(node.buffer)
        if least > self.state.layout.block_bytes or (waiting and offset != node.buffer_at + waiting):
            return 0
        full = (waiting + most) // size
        if full and (node.buffer_at if waiting else offset) == node.size:
            full = self._log.count_plainly_fitting(node.number, node.size, size, full)
        else:
            full = 0
        return full * size + size - 1 - waiting

    def write_together(self, node: FileNode, offset: int, parts: Sequence[bytes]) -> tuple[list[Filled], int]:
        """As many writes one behind the other, no more than `together_bytes`: those that filled the buffer, and the
        bytes programmed. What they leave behind is what they would leave one by one."""
        size, head, room_for, cost = self._buffer_bytes, self._log.heads[0], self._room.room_for, self.state.layout.cost
        begin, before, filled = head.at if head else 0, node.size, len(node.buffer)
        self.write(node, offset, b"".join(parts))
        if node.size == before:
            return [], 0
        placed = self.state.layout.placed_alike(begin, size, (node.size - before) // size)
        span_at = node.starts[-1]
        besides = self.state.committed - node.reserved - cost(node.size - span_at)
        found, done = list[Filled](), 0
        for index, part in enumerate(parts):
            filled += len(part)
            full = filled // size
            if full > done:
                live_bytes = besides + cost(before + full * size - span_at) + room_for(filled - full * size)
                found.append(Filled(index, sum(map(placed.programs_of, range(done, full))), live_bytes))
                done = full
        return found, placed.program_bytes

    def write(self, node: FileNode, offset: int, data: bytes) -> None:
        """Write bytes at an offset. They wait in the file's buffer, and are durable once it spills: when it is full, at
        `spill`, or when a write goes elsewhere. Room is reserved now: ENOSPC leaves the file as it was. EFBIG."""
        if self._blocks.read_only:
            self._room.check_writable(node.name)
        if offset + len(data) > SIZE_MAX:
            raise error(errno.EFBIG, node.name)
        if node.buffer:
            joined = self._join(node, offset, data)
        else:
            node.buffer_at, joined = offset, data
        waiting = len(joined)
        state = self.state
        growth = self._room.room_for(waiting) - node.reserved
        blocks = self._blocks
        if blocks.live_total + self._claims.promised + state.reserved + growth > blocks.capacity:
            self._room.admit(growth, node.name)
        state.reserved += growth
        node.reserved += growth
        node.buffer = joined
        self._meters.host_bytes += len(data)
        if waiting >= self._buffer_bytes:
            self._spill_full(node)

    def _join(self, node: FileNode, offset: int, data: bytes) -> bytes:
        """Join the data with what waits, over it or after it. If they can't be joined, what waits is spilled first."""
        at = offset - node.buffer_at
        if 0 <= at <= len(node.buffer):
            return node.buffer[:at] + data + node.buffer[at + len(data) :]
        self.spill(node)
        node.buffer_at = offset
        return data

    def _spill_full(self, node: FileNode) -> None:
        """Write all full frames out of the buffer; the rest goes on waiting."""
        waiting, start, size = node.buffer, node.buffer_at, self._buffer_bytes
        done = 0
        try:
            while len(waiting) - done >= size:
                together = self._append_alike(node, start + done, waiting, done)
                if not together:
                    self._write_out(node, start + done, waiting[done : done + size])
                done += together or size
        finally:
            node.buffer = waiting[done:]
            node.buffer_at = start + done
            self._room.reserve(node)

    def _append_alike(self, node: FileNode, offset: int, waiting: bytes, begin: int) -> int:
        """Append full frames at once, as many as would follow each other in the open block with nothing in between:
        how many bytes of `waiting` from `begin` on, 0 where it would be a single frame."""
        size = self._buffer_bytes
        if len(waiting) - begin < 2 * size or offset != node.size or not self.state.flash.takes_late:
            return 0
        log, layout = self._log, self.state.layout
        if not log.plainly_fits(size):
            self._room.make_room(DATA, node.number, offset, size, size)
        count = log.count_plainly_fitting(node.number, offset, size, (len(waiting) - begin) // size)
        if count < 2:
            return 0
        head = log.heads[0]
        assert head is not None
        total = count * size
        placed = layout.placed_alike(head.at, size, count)
        run = log.write(0, node.number, offset, Batch(total, placed, EvenPayloads(waiting, begin, size, count)))
        self._index.put(node, offset, total, run.address)
        self._meters.payload_bytes_programmed += total
        return total

    def spill(self, node: FileNode) -> None:
        """Make durable what waits in the file's buffer, at least one byte. One frame; more if an earlier spill was
        refused."""
        if len(node.buffer) >= self._buffer_bytes:
            self._spill_full(node)
            if not node.buffer:
                return
        self._write_out(node, node.buffer_at, node.buffer)
        node.buffer = b""
        self.state.reserved -= node.reserved
        node.reserved = 0

    def _write_out(self, node: FileNode, offset: int, data: bytes) -> None:
        length = len(data)
        if offset > node.size:
            self.append_hole(node, node.size, offset, data)
        else:
            log = self._log
            if not log.plainly_fits(length):
                self._room.make_room(DATA, node.number, offset, length, length)
            run = log.write(0, node.number, offset, data)
            self._index.put(node, offset, length, run.address)
        self._meters.payload_bytes_programmed += length

    def append_hole(self, node: FileNode, zeros_from: int, offset: int, data: bytes) -> None:
        payload = U32.pack(zeros_from) + data
        self._room.make_room(Kind.HOLE, node.number, offset, len(data), len(payload))
        run = self._log.append(0, Kind.HOLE, node.number, offset, len(data), payload)
        self._index.put(node, zeros_from, offset - zeros_from, -run.address)
        self._index.put(node, offset, len(data), run.address)

    def read(self, node: FileNode, offset: int, length: int) -> bytes:
        """Up to `length` bytes from an offset, waiting ones included. CorruptStore when a frame of them is damaged."""
        if node.buffer:
            return self._read_with_buffer(node, offset, length)
        return self._read_flash(node, offset, min(offset + length, node.size))

    def _read_flash(self, node: FileNode, start: int, stop: int) -> bytes:
        if stop <= start:
            return b""
        span, number = self.state.reader.span, node.number
        parts = [span(number, place, begin, end) for begin, end, place in self._index.pieces(node, start, stop)]
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def _read_with_buffer(self, node: FileNode, offset: int, length: int) -> bytes:
        stop = min(offset + length, self.size(node))
        if stop <= offset:
            return b""
        found = bytearray(stop - offset)
        stored = self._read_flash(node, offset, min(stop, node.size))
        found[: len(stored)] = stored
        begin, end = max(node.buffer_at, offset), min(node.buffer_at + len(node.buffer), stop)
        if begin < end:
            found[begin - offset : end - offset] = node.buffer[begin - node.buffer_at : end - node.buffer_at]
        return bytes(found)
