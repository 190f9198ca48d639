"""Bytes that were programmed and are not made yet. They are made when somebody reads them, or never if the erase comes
first."""

from __future__ import annotations

from collections.abc import Callable

Make = Callable[[], bytes]


class _OfBlock(list[tuple[int, int, Make]]):
    """First address, end and maker of each piece; `first` and `end` are those of all."""

    __slots__ = ("end", "first")

    def __init__(self, address: int, end: int, make: Make) -> None:
        super().__init__(((address, end, make),))
        self.first, self.end = address, end


class LateBytes(dict[int, _OfBlock]):
    """The pieces of late bytes, by block. No two of them overlap."""

    def __init__(self, block_bytes: int) -> None:
        self._block_bytes = block_bytes

    def add(self, address: int, end: int, make: Make) -> None:
        """The cells from `address` to `end`, all in one block, hold what `make` gives."""
        block = address // self._block_bytes
        late = self.get(block)
        if late is None:
            self[block] = _OfBlock(address, end, make)
        else:
            late.append((address, end, make))
            late.first, late.end = min(late.first, address), max(late.end, end)

    def take(self, other: LateBytes) -> None:
        """Be late with what the other is late with, too."""
        for late in other.values():
            for piece in late:
                self.add(*piece)

    def at(self, address: int) -> Make | None:
        """What makes the late bytes that begin at this address."""
        for start, _, make in self.get(address // self._block_bytes, ()):
            if start == address:
                return make
        return None

    def settled_to(self, cells: memoryview, address: int, end: int) -> int:
        """Make the piece that has the byte at `address`. Up to where, or to `end`, no more are late."""
        for start, stop, _ in (*self.get(address // self._block_bytes, ()),):
            if start <= address < stop:
                self.settle(cells, address, address + 1)
            elif address < start < end:
                end = start
        return end

    def settle(self, cells: memoryview, address: int, end: int) -> None:
        """Make every piece that has a byte from `address` to `end`."""
        block = address // self._block_bytes
        if end <= (block + 1) * self._block_bytes:
            late = self.get(block)
            if late is not None and address < late.end and late.first < end:
                self._settle_in(block, cells, address, end)
        else:
            last = (end - 1) // self._block_bytes
            for each in [each for each in self if block <= each <= last]:
                self._settle_in(each, cells, address, end)

    def _settle_in(self, block: int, cells: memoryview, address: int, end: int) -> None:
        late = self[block]
        for entry in late.copy():
            start, stop, make = entry
            if start < end and address < stop:
                cells[start:stop] = make()
                late.remove(entry)
        if not late:
            del self[block]
