"""Open-append-close many times at once. A batch of appends to one file is what one append is to the log and the index;
what is worked out here is how many go into the open block so that nothing else would have come in between. All that
they leave behind, in RAM, on the flash and in the counters, is what they would leave one by one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import takewhile

from simfs.store.format.codec import ENTRY_BYTES, FRAME_BYTES, LENGTH_MAX, ORDER_MAX, SIZE_MAX
from simfs.store.format.layout import Placed
from simfs.store.log.heads import Batch, Head
from simfs.store.tables.spans import FileNode
from simfs.store.volume import Volume


class Stretch:
    """Room for appends to one file behind each other in the open block: `room_bytes` for their frames, at most
    `count_max` of them, each of at most `record_bytes_max`. `names_cut` is what each of them adds to that meter."""

    def __init__(self, volume: Volume, node: FileNode, head: Head, names_cut: int) -> None:
        state, log = volume.state, volume.state.log
        self._volume, self._state, self._node, self._names_cut = volume, state, node, names_cut
        run, order = head.table.current.get(node.number), log.sequence - head.base
        if run is not None and (order != head.table.next_order or run.offset + run.length != node.size):
            run = None
        goes_on = run is not None and bool(node.places) and node.places[-1] == run.address
        run_bytes = 0 if run is None else run.length
        self._at, self._span_bytes = head.at, node.size - node.starts[-1] if goes_on else 0
        block_bytes = head.room_end - ENTRY_BYTES - head.at
        self.room_bytes = max(min(block_bytes, LENGTH_MAX - run_bytes, SIZE_MAX - node.size), 0)
        self.count_max = ORDER_MAX - order + 1
        self.record_bytes_max = min(state.layout.buffer_bytes - 1, state.layout.payload_max)

    def programs_max(self, length: int | None) -> int:
        """Page programs that an append of this length takes at most; of any length for None."""
        return self._state.layout.programs_max(self.record_bytes_max if length is None else length)

    def pitch(self, length: int) -> int:
        """What an append of this length takes of `room_bytes`."""
        return self._state.layout.pitches[length]

    def count_of(self, length: int) -> int:
        """How many appends of this length have room in the block."""
        if length > self.record_bytes_max:
            return 0
        return min(self.count_max, (self.room_bytes - FRAME_BYTES - length) // self.pitch(length) + 1)

    def alike(self, length: int, most: int) -> Placed | None:
        """As many appends of one length as fit, at most so many."""
        count = min(most, self.count_of(length))
        if not length or count < 1 or not self._has_capacity(count * length, length):
            return None
        return self._state.layout.placed_alike(self._at, length, count)

    def of(self, lengths: Sequence[int]) -> Placed | None:
        """As many appends of these lengths as fit, from the first on."""
        layout, longest = self._state.layout, self.record_bytes_max
        if not 0 < min(lengths) <= max(lengths) <= longest:
            lengths = list(takewhile(lambda length: 0 < length <= longest, lengths))
        placed = layout.placed(self._at, lengths[: max(self.count_max, 0)], self.room_bytes)
        count = placed.frame_count
        return placed if count and self._has_capacity(sum(lengths[:count]), longest) else None

    def takes_any(self) -> bool:
        """Whether the store's capacity takes all that the open block may, whatever the lengths."""
        return self._has_capacity(self.room_bytes, self.record_bytes_max)

    def _has_capacity(self, total: int, longest: int) -> bool:
        """Whether the store takes each of the appends, of so many bytes together."""
        waiting = self._volume.room.room_for(longest)
        return self._live_bytes_with(total) + waiting <= self._state.blocks.capacity

    def _live_bytes_with(self, total: int) -> int:
        cost, span_bytes = self._state.layout.cost, self._span_bytes
        return self._state.committed + cost(span_bytes + total) - cost(span_bytes)

    def append(self, placed: Placed, lengths: Sequence[int], payloads: Callable[[], Sequence[bytes]]) -> LiveBytes:
        """Do the appends, which fit. `payloads` gives their bytes whenever it is asked."""
        node, state, meters = self._node, self._state, self._state.meters
        total = sum(lengths)
        live_bytes = LiveBytes(state.committed, self._span_bytes, lengths, total, state.layout.cost)
        run = state.log.write(0, node.number, node.size, Batch(total, placed, payloads))
        state.index.put(node, node.size, total, run.address)
        meters.host_bytes += total
        meters.payload_bytes_programmed += total
        meters.names_cut += self._names_cut * len(lengths)
        return live_bytes


class LiveBytes:
    """The store's live bytes after each of some appends, counted from 0."""

    def __init__(
        self, before: int, span_bytes: int, lengths: Sequence[int], total: int, cost: Callable[[int], int]
    ) -> None:
        self._span_bytes, self._lengths, self._total, self._cost = span_bytes, lengths, total, cost
        self._besides = before - cost(span_bytes)

    def __len__(self) -> int:
        return len(self._lengths)

    def __getitem__(self, index: int) -> int:
        last = len(self._lengths) - 1
        if not 0 <= index <= last:
            raise IndexError(index)
        return self._besides + self._cost(
            self._span_bytes + (self._total if index == last else sum(self._lengths[: index + 1]))
        )


def stretch_of(volume: Volume, node: FileNode | None, names_cut: int) -> Stretch | None:
    """Where appends to a file may go on; None where they have to go one by one."""
    state = volume.state
    head = state.log.heads[0]
    if node is None or node.buffer or head is None or head.asleep or volume.read_only or not state.flash.takes_late:
        return None
    if state.config.idle_cleaning and not _is_idle(volume):
        return None
    return Stretch(volume, node, head, names_cut)


def _is_idle(volume: Volume) -> bool:
    """Whether idle time changes nothing in a store that cleans ahead, however long it is."""
    return not volume.state.segments.can_erase_ahead and not volume.cleaner.is_wanted()
