"""Open-append-close many times at once: one calculation for as many appends as plainly fit the open block behind each
other. Everything that they leave behind, in RAM, on the flash and in the counters, is what they would leave one by
one; the frames' bytes are made when somebody reads them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import NamedTuple

from simfs.flash.late import LateFlash
from simfs.store.codec import DATA, ENTRY_BYTES, FRAME_BYTES, ORDER_MAX, SEAL_BYTES, SIZE_MAX, encode_frame
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

    def first(self, count: int) -> Programs:
        """Of the first frames alone."""
        return programs_in_all(self.each[:count])


@lru_cache(maxsize=4096)
def programs_of(at_in_page: int, pitch: int, padded: int, count: int, page_bytes: int) -> Programs:
    """The programs of `count` frames of `padded` bytes that begin every `pitch` bytes."""
    places = range(at_in_page, at_in_page + pitch * count, pitch)
    return programs_in_all(tuple((at % page_bytes + padded + page_bytes - 1) // page_bytes for at in places))


@lru_cache(maxsize=4096)
def programs_in_all(each: tuple[int, ...]) -> Programs:
    """Programs of frames, added up."""
    return Programs(each, sum(each), tuple((value, each.count(value)) for value in sorted(set(each))))


NO_PROGRAMS = Programs((), 0, ())


class Stretch:
    """Appends to one file, one behind the other. `take_up` looks where they go on."""

    def __init__(self, volume: Volume, node: FileNode, flash: LateFlash) -> None:
        state, layout = volume.state, volume.state.layout
        self._volume, self._state, self._log, self._blocks = volume, state, state.log, state.blocks
        self._node, self._flash = node, flash
        self._head: Head
        self._run: Run
        self._cost = layout.cost
        self.unit_bytes, self.step, self.page_bytes = layout.unit_bytes, layout.step, layout.page_bytes
        self.record_bytes_max = min(layout.buffer_bytes - 1, layout.payload_max)
        self.at = self.end = self.count_max = self.total_bytes_max = self._span_bytes = self._live_bytes = 0

    def take_up(self) -> bool:
        """Whether the file's last frame is the newest of the open block, so that the next append goes on with its run;
        what follows is about the place behind it."""
        node, log, head = self._node, self._log, self._log.heads[0]
        if head is None or head.asleep or not node.places:
            return False
        run, order = head.table.current.get(node.number), log.sequence - head.base
        if run is None or run.address != node.places[-1] or order != head.table.next_order:
            return False
        self._head, self._run = head, run
        ready = self._volume.cleaner.has_reserve  # else even a frame that has room waits for a cleaning
        self.at, self.end = head.at, head.room_end - FRAME_BYTES - (0 if ready else ENTRY_BYTES)
        self.count_max = ORDER_MAX - order + 1
        self.total_bytes_max = min(ORDER_MAX - run.length, SIZE_MAX - node.size)
        self._span_bytes, self._live_bytes = node.size - node.starts[-1], self._state.committed
        return True

    def fit(self, length: int) -> int:
        """How many appends of `length` bytes fit."""
        if not 0 < length <= self.record_bytes_max or self.at + length > self.end:
            return 0
        pitch = align_up(FRAME_BYTES + length, self.step)
        count = min((self.end - length - self.at) // pitch + 1, self.count_max, self.total_bytes_max // length)
        return count if count and self.has_room(length * (count - 1), length) else 0

    def has_room(self, before: int, length: int) -> bool:
        """Whether the store's capacity takes an append of `length` bytes after `before` bytes of others."""
        return self.live_bytes_after(before) + self._volume.room.room_for(length) <= self._blocks.capacity

    def has_room_for_all(self) -> bool:
        """Whether the store's capacity takes appends up to the end of the block, whatever their lengths."""
        return self.has_room(max(self.end - self.at, 0), self.record_bytes_max)

    def filling(self) -> Filling:
        """Appends one by one, to find out how many fit."""
        return Filling(self)

    def live_bytes_after(self, total_bytes: int) -> int:
        """The store's live bytes after so many bytes of appends."""
        return self._live_bytes + self._cost(self._span_bytes + total_bytes) - self._cost(self._span_bytes)

    def alike(self, length: int, count: int) -> Programs:
        """The programs of `count` appends of `length` bytes each."""
        size = FRAME_BYTES + length
        pitch, padded = align_up(size, self.step), align_up(size, self.unit_bytes)
        return programs_of(self.at % self.page_bytes, pitch, padded, count, self.page_bytes)

    def append(self, lengths: Sequence[int], programs: Programs, payloads: Payloads) -> None:
        """Do the appends, which fit; `payloads` gives their bytes when they are needed."""
        node, head, run, log = self._node, self._head, self._run, self._log
        total, count = sum(lengths), len(lengths)
        frame_bytes = total + FRAME_BYTES * count
        end, program_bytes = self.at + frame_bytes, frame_bytes
        if self.step > 1:
            end = self.at + sum(align_up(FRAME_BYTES + length, self.step) for length in lengths)
            program_bytes = sum(align_up(FRAME_BYTES + length, self.unit_bytes) for length in lengths)
        self._program(head, end, programs.total, program_bytes, payloads)
        log.sequence += count
        log.logged_bytes += frame_bytes
        run.length += total
        head.table.next_order += count
        self._blocks.charge(run.address, self._cost(self._span_bytes + total) - self._cost(self._span_bytes))
        node.size += total
        self._state.meters.host_bytes += total
        self._state.meters.payload_bytes_programmed += total

    def in_next_block(self, length: int) -> Programs:
        """The programs of as many appends of `length` bytes as a block takes that holds nothing else; none of them
        where more is to be done than to go on in the next block."""
        layout, log, node = self._state.layout, self._log, self._node
        if not self.takes_one(length) or log.plainly_fits(length):
            return NO_PROGRAMS
        if log.fits(0, DATA, node.number, node.size, length, length):
            return NO_PROGRAMS
        size = FRAME_BYTES + length
        pitch, padded = align_up(size, self.step), align_up(size, self.unit_bytes)
        room = layout.block_bytes - SEAL_BYTES - ENTRY_BYTES - layout.first
        if layout.whole_pages:
            room = (layout.block_bytes - SEAL_BYTES - ENTRY_BYTES) // self.page_bytes * self.page_bytes - layout.first
        count = min((room - size) // pitch + 1, ORDER_MAX // length, (SIZE_MAX - node.size) // length)
        return programs_of(layout.first % self.page_bytes, pitch, padded, count, self.page_bytes)

    def fill_next_block(self, length: int, programs: Programs, draw: Callable[[], Payloads]) -> bool:
        """Go on in the next block with so many appends, at most those of `in_next_block`; `draw` gives their payloads.
        False, and nothing is done or drawn, where there is more to it."""
        node, log, state, count = self._node, self._log, self._state, len(programs.each)
        waiting = self._volume.room.room_for(length)
        total, cost = count * length, self._cost(count * length)
        if state.committed + cost + waiting > self._blocks.capacity:
            return False
        state.reserved += waiting
        turned = self._volume.cleaner.turn_over()
        state.reserved -= waiting
        if not turned:
            return False
        head = log.heads[0]
        assert head is not None
        address, size = head.at, FRAME_BYTES + length
        program_bytes = count * align_up(size, self.unit_bytes)
        self._program(head, address + count * align_up(size, self.step), programs.total, program_bytes, draw())
        log.logged_bytes += count * size
        self._run = log.note_frame(head, DATA, address, log.sequence - head.base, total, node.number, node.size)
        log.sequence += count
        head.table.next_order += count - 1
        node.starts.append(node.size)
        node.places.append(address)
        self._blocks.charge(address, cost)
        self._live_bytes = state.committed - cost
        self._span_bytes = 0
        node.size += total
        state.meters.host_bytes += total
        state.meters.payload_bytes_programmed += total
        return True

    def takes_one(self, length: int) -> bool:
        """Whether `append_one` can do what opening, writing and closing would."""
        room, state = self._volume.room, self._state
        return (
            0 < length <= self.record_bytes_max
            and not self._volume.read_only
            and self._node.size + length <= SIZE_MAX
            and state.committed + room.room_for(length) <= self._blocks.capacity
        )

    def append_one(self, length: int, payloads: Payloads) -> None:
        """One append, with all the cleaning and changing of blocks that it takes. OutOfBlocks."""
        node, log, state, volume = self._node, self._log, self._state, self._volume
        waiting = volume.room.room_for(length)
        state.reserved += waiting
        node.reserved += waiting
        state.meters.host_bytes += length
        try:
            if not log.plainly_fits(length):
                fits = log.fits(0, DATA, node.number, node.size, length, length)
                if fits or not volume.cleaner.turn_over():
                    volume.room.make_room(DATA, node.number, node.size, length, length)
        except OSError:
            node.buffer_at, node.buffer = node.size, payloads()[0]
            raise
        head, offset = log.heads[0], node.size
        assert head is not None
        address, order, size = head.at, log.sequence - head.base, FRAME_BYTES + length
        padded = align_up(size, self.unit_bytes)
        programs = (address % self.page_bytes + padded + self.page_bytes - 1) // self.page_bytes
        self._program(head, address + align_up(size, self.step), programs, padded, payloads)
        log.sequence += 1
        log.logged_bytes += size
        run = log.note_frame(head, DATA, address, order, length, node.number, offset)
        state.index.put(node, offset, length, run.address)
        state.reserved -= waiting
        node.reserved -= waiting
        state.meters.payload_bytes_programmed += length

    def _program(self, head: Head, end: int, programs: int, program_bytes: int, payloads: Payloads) -> None:
        number, offset, order, salt = self._node.number, self._node.size, self._log.sequence - head.base, head.salt
        step = self.step

        def make() -> bytes:
            return b"".join(frames(number, offset, order, payloads(), salt, step))

        self._flash.program_late(head.at, end, programs, program_bytes, make)
        head.at = end


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
    """Appends to a file; None where they have to go one by one."""
    flash = volume.state.flash
    if not isinstance(flash, LateFlash) or not flash.takes_late or volume.state.layout.page_programs_max:
        return None
    return None if node.buffer or node.name is None or volume.read_only else Stretch(volume, node, flash)


def is_idle(volume: Volume) -> bool:
    """Whether idle time changes nothing in a store that cleans ahead, however long it is."""
    return not volume.state.segments.erasable() and not volume.cleaner.is_wanted()
