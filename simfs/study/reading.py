"""Reads the files of many stores that differ little, each stretch of equal bytes once.

What a span of a file reads as follows from the bytes of its frames and the salt of their block alone. So a span that
stands where one stood before, on the same bytes, is not read again.
"""

from __future__ import annotations

from typing import cast

from simfs.files import Store
from simfs.files.names import NameRule
from simfs.flash import NorFlash
from simfs.store.index import FileNode
from simfs.store.reader import Reader
from simfs.store.state import StoreState
from simfs.study.history import Contents
from simfs.study.noted_flash import NotedFlash

SPANS_KEPT = 4096

Span = tuple[int, int, int, int, int]  # file, place, from, to, salt


class Reading:
    """Reads all files of a store; CorruptStore where one is damaged, as the store itself."""

    def __init__(self) -> None:
        self._known: dict[Span, tuple[int, bytes, bytes]] = {}  # where its frames begin, their bytes, the file's bytes

    def contents(self, store: Store) -> Contents:
        """Every file by its name; nothing may wait in a buffer. Costs a comparison of the bytes of each span that was
        read before, and for others what reading costs."""
        state = store._volume.state
        return {NameRule.decode(node.name): self._file(state, node) for node in state.files.values()}

    def _file(self, state: StoreState, node: FileNode) -> bytes:
        parts = [self._span(state, node.number, *piece) for piece in state.index.pieces(node, 0, node.size)]
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def _span(self, state: StoreState, file: int, start: int, stop: int, place: int) -> bytes:
        if place < 0:
            return bytes(stop - start)
        key = (file, place, start, stop, state.blocks.salt[place // state.layout.block_bytes])
        known = self._known.get(key)
        flash = state.flash
        assert isinstance(flash, NotedFlash)
        if known is not None and flash.holds(known[0], known[1]):
            return known[2]
        heard = _Heard(flash)
        data = Reader(cast("NorFlash", heard), state.layout, state.blocks).span(file, place, start, stop)
        if len(self._known) >= SPANS_KEPT:
            self._known.clear()
        self._known[key] = (heard.start, flash.read(heard.start, heard.end - heard.start), data)
        return data


class _Heard:
    """A flash that is read through this, to know which of its bytes the answer follows from."""

    def __init__(self, flash: NorFlash) -> None:
        self._flash = flash
        self.start, self.end = flash.geometry.size_bytes, 0

    def read(self, address: int, length: int) -> bytes:
        self.start, self.end = min(self.start, address), max(self.end, address + length)
        return self._flash.read(address, length)

    def blank(self, address: int, length: int) -> bool:
        self.start, self.end = min(self.start, address), max(self.end, address + length)
        return self._flash.blank(address, length)
