"""A mounted store: names and bytes on the log. Names are the bytes on the flash; the room `files` has open modes and
file objects. Every change below is one frame, and durable when the call returns, unless its docstring says
otherwise."""

from __future__ import annotations

import errno
from collections.abc import Iterator

from simfs.flash import NorFlash
from simfs.store.cleaning.cleaner import Cleaner
from simfs.store.cleaning.room import Room, error
from simfs.store.file_bytes import FileBytes
from simfs.store.format.codec import SIZE_MAX, Kind
from simfs.store.format.config import StoreConfig
from simfs.store.format.errors import OutOfBlocks
from simfs.store.log.state import StoreState
from simfs.store.mounting.survey import survey
from simfs.store.recovery.formatting import format_store
from simfs.store.recovery.mount import Find, load
from simfs.store.tables.blocks import State
from simfs.store.tables.spans import FileNode

NUMBER_MAX = 2**32 - 1  # file numbers are used once


class Volume:
    """The store on one flash."""

    def __init__(self, state: StoreState, read_only: bool) -> None:
        self.state = state
        state.blocks.read_only = read_only or state.blocks.worn_out
        self.cleaner = Cleaner(state)
        self.room = Room(state, self.cleaner)
        self.bytes = FileBytes(state, self.room)
        self._log = state.log
        self._layout = state.layout
        self._index = state.index
        self._nodes = state.nodes
        self._files = state.files
        self._fold_case = state.config.fold_case

    @property
    def read_only(self) -> bool:
        """Mounted so, or worn out."""
        return self.state.blocks.read_only

    @classmethod
    def format(cls, flash: NorFlash, config: StoreConfig) -> Volume:
        """A new, empty store. One step: a power cut leaves the old store, an error or the new one. Erases one block;
        the others are erased when the log comes to them. Erase counts of an earlier store go on. ValueError when no
        such store fits the flash."""
        format_store(flash, config)
        return cls.mount(flash, read_only=False)

    @classmethod
    def mount(cls, flash: NorFlash, read_only: bool, find: Find = survey) -> Volume:
        """The store on the flash. A read-only mount writes nothing, and gives what is sound of a damaged store; a
        writable one settles what a power cut left uncertain. CorruptStore when there is none, or to write to a damaged
        one. If so many blocks have failed that it can't be settled, the store is read-only."""
        if read_only:
            return cls(load(flash, writable=False, find=find), read_only)
        try:
            return cls(load(flash, writable=True, find=find), read_only)
        except OutOfBlocks:
            state = load(flash, writable=False, find=find)
            state.blocks.worn_out = True
            return cls(state, read_only=True)

    def drop(self) -> None:
        """Drop what waits in buffers. Nothing is written any more. RAM only."""
        self.state.blocks.read_only = True
        for node in self._nodes.values():
            node.buffer = b""
            self.room.reserve(node)

    def lookup(self, name: bytes) -> FileNode | None:
        """The file of this name."""
        node: FileNode | None = self._files.get(name.lower() if self._fold_case else name)
        return node

    def create(self, name: bytes) -> FileNode:
        """Create an empty file; no file may have the name yet. Costs one NAME frame. ENOSPC."""
        state = self.state
        self.room.admit(2 * state.claims.cost(name), name)
        node = FileNode(self._new_number(), None)
        self._write_name(node, name, 0, node.number)
        state.files[state.claims.key(name)] = node
        return node

    def truncate(self, node: FileNode, size: int) -> None:
        """Cut the file, or extend it with zeros. Waiting bytes are spilled or dropped first. An emptied file gets a
        new number, so that its old bytes can never come back. ENOSPC, EFBIG."""
        self.room.check_writable(node.name)
        if size > SIZE_MAX:
            raise error(errno.EFBIG, node.name)
        if node.buffer:
            self._trim_buffer(node, size)
        if size > node.size:
            self.room.admit(2 * self._layout.hole_cost, node.name)
            self.bytes.append_hole(node, node.size, size, b"")
        elif size < node.size:
            if node.name is not None:
                self._write_name(node, node.name, size, node.number if size else self._new_number())
            self._index.cut(node, size)

    def _trim_buffer(self, node: FileNode, size: int) -> None:
        keep = max(size - node.buffer_at, 0)
        if keep < len(node.buffer):
            node.buffer = node.buffer[:keep]
            self.room.reserve(node)
        if node.buffer:
            self.bytes.spill(node)

    def rename(self, node: FileNode, name: bytes) -> None:
        """Give the file the new name; a file that had it is gone. Costs one frame. ENOSPC."""
        state, claims = self.state, self.state.claims
        assert node.name is not None
        if node.name == name:
            return
        old, replaced = node.name, self.lookup(name)
        if claims.key(old) == claims.key(name):
            self.room.admit(claims.cost(name), name)
            self._write_name(node, name, node.size, node.number)
            return
        growth = claims.cost(name) * (1 if replaced is not None else 2)
        self.room.admit(growth, name)
        payload = name + b"\0" + old
        self.room.make_room(Kind.RENAME, node.number, node.size, len(payload), len(payload))
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
        """Free the name. The bytes are dead once no handle is open. Costs one frame, for which room is always kept."""
        self.room.check_writable(node.name)
        name = node.name
        assert name is not None
        self.room.make_room(Kind.REMOVE, node.number, 0, len(name), len(name))
        run = self._log.append(0, Kind.REMOVE, node.number, 0, len(name), name)
        self._unname(node)
        self.state.claims.free_name(name, run.address)

    def _unname(self, node: FileNode) -> None:
        """Take the file's name away, in RAM only."""
        state = self.state
        assert node.name is not None
        state.move_name(node, 0)
        del state.files[state.claims.key(node.name)]
        state.claims.promised -= state.claims.cost(node.name)
        node.name = None
        if not node.handles:
            self.release(node)

    def release(self, node: FileNode) -> None:
        """Let the bytes of a file die that has neither a name nor an open handle."""
        node.buffer = b""
        self.room.reserve(node)
        self._index.cut(node, 0)
        del self._nodes[node.number]

    def _write_name(self, node: FileNode, name: bytes, size: int, number: int) -> None:
        """Append a NAME frame, then do in RAM what it says. It may use the slack of the capacity while an older NAME
        frame is live too."""
        claims = self.state.claims
        self.room.make_room(Kind.NAME, number, size, len(name), len(name))
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

    def names_from(self, key: bytes) -> list[bytes]:
        """Names whose keys begin with `key`, in the order of the keys."""
        files = self.state.files
        above = key.rstrip(b"\xff")  # the first key that is above all that begin so
        end = files.bisect_left(above[:-1] + bytes((above[-1] + 1,))) if above else len(files)
        keys: list[bytes] = files.keys()[files.bisect_left(key) : end]
        return [files[found].name for found in keys] if self._fold_case else keys

    def programmed_bytes(self) -> Iterator[tuple[int, int]]:
        """(block, bytes from its start on that are not free for frames any more) of every block."""
        heads = {head.block: head.at - head.start for head in self._log.heads if head is not None}
        for block, state in enumerate(self.state.blocks.state):
            if state not in (State.READY, State.UNUSED):
                yield block, heads.get(block, self._layout.block_bytes)
