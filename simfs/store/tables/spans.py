"""Where the bytes of a file stand: one span a run, not one a frame. A span reaches up to the next one, the last to
the file's end."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator

from simfs.store.format.layout import Layout
from simfs.store.tables.blocks import BlockTable


class FileNode:
    """A file. A span's place is the address of its run's first frame; of a hole it is minus the address of its frame.
    Place 0 marks bytes that a mount has not met yet."""

    __slots__ = (
        "buffer",
        "buffer_at",
        "handles",
        "name",
        "name_place",
        "number",
        "places",
        "reserved",
        "size",
        "starts",
    )

    def __init__(self, number: int, name: bytes | None) -> None:
        self.number = number
        self.name = name  # None: removed, but still open
        self.name_place = 0
        self.size = 0  # as it is on the flash
        self.starts: list[int] = []
        self.places: list[int] = []
        self.buffer = b""  # bytes that wait in RAM, to stand from buffer_at on
        self.buffer_at = 0
        self.reserved = 0  # bytes of room promised to them
        self.handles = 0

    def twin(self) -> FileNode:
        """Another one like this, without what waits in RAM."""
        twin = FileNode(self.number, self.name)
        twin.name_place, twin.size = self.name_place, self.size
        twin.starts, twin.places = self.starts.copy(), self.places.copy()
        return twin


class Index:
    """Keeps the spans of files and what is live in the blocks in step. All costs are RAM only: no flash is touched."""

    def __init__(self, layout: Layout, blocks: BlockTable) -> None:
        self._layout = layout
        self._costs = layout.costs
        self._buffer_bytes = layout.buffer_bytes
        self._charge = blocks.charge

    def _cost(self, place: int, length: int) -> int:
        if place > 0:
            return self._layout.cost(length)
        return self._layout.hole_cost if place else 0

    def put(self, node: FileNode, offset: int, length: int, place: int) -> None:
        """From now on `length` bytes from `offset` stand at `place`."""
        if offset == node.size and length:
            places = node.places
            if places and places[-1] == place:
                rest = (offset - node.starts[-1]) % self._buffer_bytes
                whole = (
                    self._costs[rest + length]
                    if rest + length <= self._buffer_bytes
                    else self._cost(place, rest + length)
                )
                self._charge(place, whole - self._costs[rest])
            else:
                node.starts.append(offset)
                places.append(place)
                self._charge(place, self._cost(place, length))
            node.size = offset + length
        elif length:
            if offset > node.size:  # only while a mount has not met the older bytes yet
                node.starts.append(node.size)
                node.places.append(0)
                node.size = offset
                self.put(node, offset, length, place)
            else:
                self._overlay(node, offset, offset + length, place)

    def _overlay(self, node: FileNode, offset: int, end: int, place: int) -> None:
        starts, places = node.starts, node.places
        first = bisect_right(starts, offset) - 1
        if first and starts[first] == offset and places[first - 1] == place:
            first -= 1  # the run goes on
        last = bisect_left(starts, end)
        last_end = starts[last] if last < len(starts) else node.size
        pieces = [(starts[first], places[first])] if starts[first] < offset else []
        if not pieces or pieces[0][1] != place:
            pieces.append((offset, place))
        if end < last_end:
            pieces.append((end, places[last - 1]))
        self._charge_spans(node, first, last, -1)
        starts[first:last] = [start for start, _ in pieces]
        places[first:last] = [where for _, where in pieces]
        node.size = max(node.size, end)
        self._charge_spans(node, first, first + len(pieces), +1)

    def _charge_spans(self, node: FileNode, first: int, last: int, sign: int) -> None:
        starts, places = node.starts, node.places
        for at in range(first, last):
            end = starts[at + 1] if at + 1 < len(starts) else node.size
            self._charge(places[at], sign * self._cost(places[at], end - starts[at]))

    def cut(self, node: FileNode, size: int) -> None:
        """Nothing of the file stands beyond `size` (at most its size) any more."""
        if size >= node.size:
            return
        first = max(bisect_right(node.starts, size) - 1, 0)
        self._charge_spans(node, first, len(node.starts), -1)
        keep = bisect_left(node.starts, size)
        del node.starts[keep:], node.places[keep:]
        node.size = size
        self._charge_spans(node, first, len(node.starts), +1)

    def hole_bytes(self, node: FileNode) -> int:
        """Zeros of the file that stand nowhere."""
        return sum(end - start for start, end, place in self.pieces(node, 0, node.size) if place <= 0)

    def pieces(self, node: FileNode, start: int, stop: int) -> Iterator[tuple[int, int, int]]:
        """(from, to, place) of the spans between two offsets, clipped to them."""
        starts, places = node.starts, node.places
        at = max(bisect_right(starts, start) - 1, 0)
        count = len(starts)
        while at < count and starts[at] < stop:
            end = starts[at + 1] if at + 1 < count else node.size
            if end > start:
                yield max(starts[at], start), min(end, stop), places[at]
            at += 1
