"""A mounted store: names and bytes on the log. Names come as the bytes that stand on the flash; open modes and file
objects are the `files` room's business. Every change below is one frame, and durable when the call returns, unless
its docstring says otherwise."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator

from simfs.flash import NorFlash
from simfs.store.blocks import State
from simfs.store.cleaner import Cleaner
from simfs.store.codec import DATA, U32, Kind, decode_erase_count, encode_erase_record
from simfs.store.config import StoreConfig
from simfs.store.index import FileNode
from simfs.store.log import OutOfBlocks
from simfs.store.meters import Meters
from simfs.store.mount import load
from simfs.store.setup import check_fit, record_of
from simfs.store.state import StoreState

SIZE_MAX = 2**32 - 1  # a file's size in bytes
NUMBER_MAX = 2**32 - 1  # file numbers are used once


class Volume:
    """The store on one flash."""

    def __init__(self, state: StoreState, read_only: bool) -> None:
        self.state = state
        self.read_only = read_only
        self.cleaner = Cleaner(state)
        self._log = state.log
        self._layout = state.layout
        self._index = state.index
        self._nodes = state.nodes
        self._files = state.files
        self._fold_case = state.config.fold_case
        self._buffer_bytes = state.layout.buffer_bytes

    @classmethod
    def format(cls, flash: NorFlash, config: StoreConfig) -> Volume:
        """A new, empty store. Erases every block that is not blank; erase counts of an earlier store go on.
        ValueError when no such store fits the flash."""
        check_fit(flash.geometry, config)
        state = StoreState(flash, config, record_of(config, flash.geometry))
        block_bytes = flash.geometry.block_bytes
        for block in range(flash.geometry.block_count):
            start = block * block_bytes
            erase_count = decode_erase_count(flash.read(start, 16)) or 0
            if not flash.blank(start, block_bytes):
                flash.erase(block)
                erase_count += 1
                flash.program(start, encode_erase_record(erase_count))
                state.blocks.recorded[block] = True
            state.blocks.note_erase_count(block, erase_count)
            state.blocks.make_ready(block)
        state.log.open(0, state.blocks.ready[0][1])
        state.log.append(0, Kind.MARK, 0, 0, 0, b"")
        state.log.sleep()
        return cls(state, read_only=False)

    @classmethod
    def mount(cls, flash: NorFlash, read_only: bool) -> Volume:
        """The store that the flash holds. A read-only mount writes nothing; another settles what a power cut left in
        doubt. CorruptStore when there is none, or a damaged one."""
        volume = cls(load(flash, writable=not read_only), read_only)
        if not read_only:
            volume._take_up()
        return volume

    def _take_up(self) -> None:
        """After a mount: get the reserve back, and leave the log's tail as a mount leaves it."""
        log, flash = self._log, self.state.flash
        before = flash.programs
        if log.tail_is_old:
            log.sleep()
        self.cleaner.restore_reserve()
        if flash.programs != before:
            log.end_with_mark(reversed(range(len(log.heads))))
            log.tail_is_old = False
        log.sleep()

    # -- names

    def lookup(self, name: bytes) -> FileNode | None:
        """The file of this name."""
        node: FileNode | None = self._files.get(name.lower() if self._fold_case else name)
        return node

    def create(self, name: bytes) -> FileNode:
        """A new, empty file; no file may bear the name. Costs one NAME frame. ENOSPC."""
        state = self.state
        self._admit(2 * state.claims.cost(name), name)
        node = FileNode(self._new_number(), None)
        self._write_name(node, name, 0, node.number)
        state.files[state.claims.key(name)] = node
        return node

    def truncate(self, node: FileNode, size: int) -> None:
        """Cut the file, or let it grow by zeros. Waiting bytes are spilled or dropped first. An emptied file gets a
        new number, so that its old bytes can never come back. ENOSPC, EFBIG."""
        self._check_writable(node.name)
        if size > SIZE_MAX:
            raise _error(errno.EFBIG, node.name)
        if node.buffer:
            self._trim_buffer(node, size)
        if size > node.size:
            self._admit(2 * self._layout.hole_cost, node.name)
            self._append_hole(node, node.size, size, b"")
        elif size < node.size:
            if node.name is not None:
                self._write_name(node, node.name, size, node.number if size else self._new_number())
            self._index.cut(node, size)

    def _trim_buffer(self, node: FileNode, size: int) -> None:
        keep = max(size - node.buffer_at, 0)
        if keep < len(node.buffer):
            node.buffer = node.buffer[:keep]
            self._reserve(node)
        if node.buffer:
            self.spill(node)

    def rename(self, node: FileNode, name: bytes) -> None:
        """The file bears the new name; a file that bore it is gone. Costs one frame. ENOSPC."""
        state, claims = self.state, self.state.claims
        assert node.name is not None
        if node.name == name:
            return
        old, replaced = node.name, self.lookup(name)
        if claims.key(old) == claims.key(name):
            self._admit(claims.cost(name), name)
            self._write_name(node, name, node.size, node.number)
            return
        growth = claims.cost(name) * (1 if replaced is not None else 2)
        self._admit(growth, name)
        payload = name + b"\0" + old
        self._make_room(Kind.RENAME, node.number, node.size, len(payload), len(payload))
        run = self._log.append(0, Kind.RENAME, node.number, node.size, len(payload), payload)
        if replaced is not None:
            self._unname(replaced)
        state.move_name(node, 0)
        del state.files[claims.key(old)]
        node.name = name
        claims.bear(name)
        state.move_name(node, run.address)
        claims.promised += claims.cost(name) - claims.cost(old)
        claims.free_name(old, run.address)
        state.files[claims.key(name)] = node

    def remove(self, node: FileNode) -> None:
        """The name is free; the bytes are dead once no handle is open. Costs one frame, for which room is always
        kept."""
        self._check_writable(node.name)
        name = node.name
        assert name is not None
        self._make_room(Kind.REMOVE, node.number, 0, len(name), len(name))
        run = self._log.append(0, Kind.REMOVE, node.number, 0, len(name), name)
        self._unname(node)
        self.state.claims.free_name(name, run.address)

    def _unname(self, node: FileNode) -> None:
        """In RAM: the file has no name any more."""
        state = self.state
        assert node.name is not None
        state.move_name(node, 0)
        del state.files[state.claims.key(node.name)]
        state.claims.promised -= state.claims.cost(node.name)
        node.name = None
        if not node.handles:
            self._drop(node)

    def release(self, node: FileNode) -> None:
        """The last handle of the file was closed: a removed file's bytes are dead now."""
        if node.name is None:
            self._drop(node)

    def _drop(self, node: FileNode) -> None:
        node.buffer = b""
        self._reserve(node)
        self._index.cut(node, 0)
        del self._nodes[node.number]

    def _write_name(self, node: FileNode, name: bytes, size: int, number: int) -> None:
        """Append a NAME frame, then do in RAM what it says. It may use the slack of the capacity while an older one
        stands too."""
        claims = self.state.claims
        self._make_room(Kind.NAME, number, size, len(name), len(name))
        run = self._log.append(0, Kind.NAME, number, size, len(name), name)
        if node.name_place:
            self.state.move_name(node, 0)
        self._nodes.pop(node.number, None)
        node.number = number
        self._nodes[number] = node
        claims.promised += claims.cost(name) - (claims.cost(node.name) if node.name is not None else 0)
        node.name = name
        claims.bear(name)
        self.state.move_name(node, run.address)

    def _new_number(self) -> int:
        number = self.state.next_number
        if number > NUMBER_MAX:
            raise OSError(errno.ENOSPC, "all file numbers of this store are used up; format it anew")
        self.state.next_number = number + 1
        return number

    # -- bytes

    def size(self, node: FileNode) -> int:
        """The file's size with the bytes that wait in its buffer."""
        return max(node.size, node.buffer_at + len(node.buffer)) if node.buffer else node.size

    def write(self, node: FileNode, offset: int, data: bytes) -> None:
        """Bytes for the file at an offset. They wait in its buffer, and are durable once it spills: when it is full,
        at `spill`, or when a write goes elsewhere. Room is reserved now: ENOSPC leaves the file as it was. EFBIG."""
        if self.read_only:
            self._check_writable(node.name)
        if offset + len(data) > SIZE_MAX:
            raise _error(errno.EFBIG, node.name)
        if node.buffer:
            joined = self._join(node, offset, data)
        else:
            node.buffer_at, joined = offset, data
        waiting = len(joined)
        state = self.state
        growth = self._room_for(waiting) - node.reserved
        if state.blocks.live_total + state.claims.promised + state.reserved + growth > self._layout.capacity:
            raise _error(errno.ENOSPC, node.name)
        state.reserved += growth
        node.reserved += growth
        node.buffer = joined
        state.meters.host_bytes += len(data)
        if waiting >= self._buffer_bytes:
            self._spill_full(node)

    def _join(self, node: FileNode, offset: int, data: bytes) -> bytes:
        """What waits, with the data over or behind it; what cannot be joined is spilled."""
        at = offset - node.buffer_at
        if 0 <= at <= len(node.buffer):
            return node.buffer[:at] + data + node.buffer[at + len(data) :]
        self.spill(node)
        node.buffer_at = offset
        return data

    def _spill_full(self, node: FileNode) -> None:
        """Write all full frames out of the buffer; the rest goes on waiting."""
        waiting, start, size = memoryview(node.buffer), node.buffer_at, self._buffer_bytes
        done = 0
        try:
            while len(waiting) - done >= size:
                self._write_out(node, start + done, bytes(waiting[done : done + size]))
                done += size
        finally:
            node.buffer = bytes(waiting[done:])
            node.buffer_at = start + done
            self._reserve(node)

    def spill(self, node: FileNode) -> None:
        """What waits in the file's buffer is durable: one frame, none when nothing waits."""
        data = node.buffer
        if data:
            self._write_out(node, node.buffer_at, data)
            node.buffer = b""
            self.state.reserved -= node.reserved
            node.reserved = 0

    def _write_out(self, node: FileNode, offset: int, data: bytes) -> None:
        length = len(data)
        if offset > node.size:
            self._append_hole(node, node.size, offset, data)
        else:
            log = self._log
            if not log.plainly_fits(length):
                self._make_room(DATA, node.number, offset, length, length)
            run = log.append(0, DATA, node.number, offset, length, data)
            self._index.put(node, offset, length, run.address)
        self.state.meters.payload_bytes_programmed += length

    def _append_hole(self, node: FileNode, zeros_from: int, offset: int, data: bytes) -> None:
        payload = U32.pack(zeros_from) + data
        self._make_room(Kind.HOLE, node.number, offset, len(data), len(payload))
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

    # -- room

    def _admit(self, growth: int, name: bytes | None) -> None:
        """ENOSPC when `growth` bytes of room more would pass the capacity; EROFS on a read-only mount."""
        self._check_writable(name)
        if self.state.committed + growth > self._layout.capacity:
            raise _error(errno.ENOSPC, name)

    def _room_for(self, waiting: int) -> int:
        """Room that waiting bytes may take: their frames, and what a hole before them or a split of an older run
        adds."""
        if waiting <= self._buffer_bytes:
            return self._layout.costs[waiting] + 2 * self._layout.hole_cost if waiting else 0
        return self._layout.cost(waiting) + 2 * self._layout.hole_cost

    def _reserve(self, node: FileNode) -> None:
        needed = self._room_for(len(node.buffer))
        self.state.reserved += needed - node.reserved
        node.reserved = needed

    def _make_room(self, kind: int, file: int, offset: int, length: int, payload_bytes: int) -> None:
        try:
            self.cleaner.make_room(0, kind, file, offset, length, payload_bytes)
        except OutOfBlocks:
            raise OSError(errno.ENOSPC, "no erase block can be freed") from None

    def _check_writable(self, name: bytes | None) -> None:
        if self.read_only:
            raise _error(errno.EROFS, name)

    # -- figures

    def meters(self) -> Meters:
        """The counters, as they are now."""
        return self.state.meters

    def names_from(self, key: bytes) -> Iterator[bytes]:
        """Names whose keys begin with `key`, in the order of the keys."""
        files = self.state.files
        for found in files.irange(key):
            if not found.startswith(key):
                return
            yield files[found].name

    def programmed_bytes(self) -> Iterator[tuple[int, int]]:
        """(block, bytes from its start on that are not free for frames any more) of every block."""
        heads = {head.block: head.at - head.start for head in self._log.heads if head is not None}
        for block, state in enumerate(self.state.blocks.state):
            if state != State.READY:
                yield block, heads.get(block, self._layout.block_bytes)


def _error(number: int, name: bytes | None) -> OSError:
    shown = None if name is None else os.fsdecode(name)
    return OSError(number, os.strerror(number), shown)
