"""Open-append-close many times at once: one calculation for as many appends as plainly fit the open block behind each
other. Everything that they leave behind, in RAM, on the flash and in the counters, is what they would leave one by
one; the frames' bytes are made when somebody reads them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import NamedTuple

from simfs.flash.late import LateFlash
from simfs.store.codec import DATA, ENTRY_BYTES, FRAME_BYTES, ORDER_MAX, SIZE_MAX, encode_frame
from simfs.store.index import FileNode
from simfs.store.layout import align_up
from simfs.store.log import Head
from simfs.store.runs import Run
from simfs.store.volume import Volume

Payloads = Callable[[], Sequence[bytes]]


class Programs(NamedTuple):
    """Page programs of frames one after the other."""

    each: tuple[int, ...]  # of each frame
    total: int
    alike: tuple[tuple[int, int], ...]  # (programs of a frame, how many frames took so many)


@lru_cache(maxsize=4096)
def programs_of(at_in_page: int, pitch: int, padded: int, count: int, page_bytes: int) -> Programs:
    """The programs of `count` frames of `padded` bytes that begin every `pitch` bytes."""
    places = range(at_in_page, at_in_page + pitch * count, pitch)
    return programs_in_all(tuple((at % page_bytes + padded + page_bytes - 1) // page_bytes for at in places))


def programs_in_all(each: tuple[int, ...]) -> Programs:
    """Programs of frames, added up."""
    return Programs(each, sum(each), tuple((value, each.count(value)) for value in sorted(set(each))))


class Stretch:
    """The place behind a file's last frame, where that is the newest of the open block and the next append goes on
    with its run."""

    def __init__(self, volume: Volume, node: FileNode, flash: LateFlash, head: Head, run: Run) -> None:
        self._state = volume.state
        self._node, self._flash, self._head, self._run = node, flash, head, run
        self._room_for = volume.room.room_for
        self._span_bytes = node.size - node.starts[-1]
        self._live_bytes = volume.state.committed
        layout = volume.state.layout
        self.unit_bytes, self.step, self.page_bytes = layout.unit_bytes, layout.step, layout.page_bytes
        self.at = head.at
        self.record_bytes_max = min(layout.buffer_bytes - 1, layout.payload_max)
        self.count_max = ORDER_MAX - (volume.state.log.sequence - head.base) + 1
        self.total_bytes_max = min(ORDER_MAX - run.length, SIZE_MAX - node.size)
        self.end = head.room_end - FRAME_BYTES - ENTRY_BYTES  # where the last payload has to end before

    def fit(self, length: int) -> int:
        """How many appends of `length` bytes fit."""
        if not 0 < length <= self.record_bytes_max or self.at + length > self.end:
            return 0
        pitch = align_up(FRAME_BYTES + length, self.step)
        count = min((self.end - length - self.at) // pitch + 1, self.count_max, self.total_bytes_max // length)
        return count if count and self.has_room(length * (count - 1), length) else 0

    def has_room(self, before: int, length: int) -> bool:
        """Whether the store's capacity takes an append of `length` bytes after `before` bytes of others."""
        return self.live_bytes_after(before) + self._room_for(length) <= self._state.blocks.capacity

    def has_room_for_all(self) -> bool:
        """Whether the store's capacity takes appends up to the end of the block, whatever their lengths."""
        return self.has_room(max(self.end - self.at, 0), self.record_bytes_max)

    def filling(self) -> Filling:
        """Appends one by one, to find out how many fit."""
        return Filling(self)

    def live_bytes_after(self, total_bytes: int) -> int:
        """The store's live bytes after so many bytes of appends."""
        cost = self._state.layout.cost
        return self._live_bytes + cost(self._span_bytes + total_bytes) - cost(self._span_bytes)

    def alike(self, length: int, count: int) -> Programs:
        """The programs of `count` appends of `length` bytes each."""
        size = FRAME_BYTES + length
        pitch, padded = align_up(size, self.step), align_up(size, self.unit_bytes)
        return programs_of(self.at % self.page_bytes, pitch, padded, count, self.page_bytes)

    def append(self, lengths: Sequence[int], programs: Programs, payloads: Payloads) -> int:
        """Do the appends, which fit; `payloads` gives their bytes when they are needed. How many bytes that programs
        on the flash."""
        state, node, head, run = self._state, self._node, self._head, self._run
        log, total, count = state.log, sum(lengths), len(lengths)
        frame_bytes = total + FRAME_BYTES * count
        unit, step, salt, number = self.unit_bytes, self.step, head.salt, node.number
        offset, order = node.size, log.sequence - head.base
        if step == 1:
            end, program_bytes = self.at + frame_bytes, frame_bytes
        else:
            end = self.at + sum(align_up(FRAME_BYTES + length, step) for length in lengths)
            program_bytes = sum(align_up(FRAME_BYTES + length, unit) for length in lengths)

        def make() -> bytes:
            return b"".join(frames(number, offset, order, payloads(), salt, step))

        self._flash.program_late(self.at, end, programs.total, program_bytes, make)
        head.at = end
        log.sequence += count
        log.logged_bytes += frame_bytes
        run.length += total
        head.table.next_order = order + count
        cost = state.layout.cost
        state.blocks.charge(run.address, cost(self._span_bytes + total) - cost(self._span_bytes))
        node.size += total
        state.meters.host_bytes += total
        state.meters.payload_bytes_programmed += total
        return program_bytes


class Filling:
    """Appends of any length, as long as they fit."""

    def __init__(self, stretch: Stretch) -> None:
        self._stretch = stretch
        self._at, self._left_bytes = stretch.at, stretch.total_bytes_max
        self.lengths: list[int] = []
        self._each: list[int] = []

    def add(self, length: int, is_usual: Callable[[int], bool]) -> int:
        """The programs of an append of this length behind the others; 0 where it has to be done by itself."""
        stretch, at = self._stretch, self._at
        if not 0 < length <= stretch.record_bytes_max or at + length > stretch.end or length > self._left_bytes:
            return 0
        size, page_bytes = FRAME_BYTES + length, stretch.page_bytes
        programs = (at % page_bytes + align_up(size, stretch.unit_bytes) + page_bytes - 1) // page_bytes
        if len(self.lengths) >= stretch.count_max or not is_usual(programs):
            return 0
        self._at = at + align_up(size, stretch.step)
        self._left_bytes -= length
        self.lengths.append(length)
        self._each.append(programs)
        return programs

    def programs(self) -> Programs:
        """Those of all of them."""
        return programs_in_all(tuple(self._each))


def frames(file: int, offset: int, order: int, payloads: Sequence[bytes], salt: int, step: int) -> list[bytes]:
    """DATA frames one behind the other, each padded to where the next one begins."""
    made = []
    for payload in payloads:
        frame = encode_frame(DATA, file, offset, order, payload, salt)
        made.append(frame)
        if step > 1:
            made.append(b"\xff" * (-len(frame) % step))
        offset += len(payload)
        order += 1
    return made


def stretch_of(volume: Volume, node: FileNode) -> Stretch | None:
    """The stretch behind the file's last frame; None where appends have to go one by one."""
    state, flash = volume.state, volume.state.flash
    log, head = state.log, state.log.heads[0]
    if not isinstance(flash, LateFlash) or not flash.takes_late or head is None or head.asleep:
        return None
    if node.buffer or not node.places or state.layout.page_programs_max or volume.read_only:
        return None
    run = head.table.current.get(node.number)
    if run is None or run.address != node.places[-1] or run.offset + run.length != node.size:
        return None
    return Stretch(volume, node, flash, head, run) if log.sequence - head.base == head.table.next_order else None


def is_idle(volume: Volume) -> bool:
    """Whether idle time changes nothing in a store that cleans ahead, however long it is."""
    return not volume.state.segments.erasable() and not volume.cleaner.is_wanted()
