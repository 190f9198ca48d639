"""Open-append-close many times at once: one calculation for as many appends as plainly fit the open block behind each
other. Everything that they leave behind, in RAM, on the flash and in the counters, is what they would leave one by
one; the frames' bytes are made when somebody reads them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from simfs.flash.late import LateFlash
from simfs.store.batch.filling import Filling
from simfs.store.batch.programs import NO_PROGRAMS, Filled, Programs, Turn, programs_of
from simfs.store.format.codec import DATA, ENTRY_BYTES, FRAME_BYTES, ORDER_MAX, SEAL_BYTES, SIZE_MAX, encode_frame
from simfs.store.format.layout import align_up
from simfs.store.format.runs import Run
from simfs.store.log.heads import Head
from simfs.store.tables.spans import FileNode
from simfs.store.volume import Volume

Payloads = Callable[[], Sequence[bytes]]


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

    def evenly(
        self,
        length: int,
        most: int,
        is_usual: Callable[[int], bool],
        goes_on: Callable[[], bool],
        draw: Callable[[int, int], Payloads],
    ) -> list[Filled]:
        """Do appends of one length, `most` of them or as many as come before one that is to be done by itself: in the
        open block and, as long as `goes_on` says so, in the next ones.

        `is_usual` is asked about the programs of an append. `draw` gives the payloads from one append on, of so many.
        """
        filled = []
        done = min(self.fit(length), most) if self.take_up() else 0
        if done:
            programs = self.alike(length, done)
            if not is_usual(programs.most):
                return []
            filled.append(self.append([length] * done, programs, draw(0, done)))
        whole = self.in_next_block(length) if done < most else NO_PROGRAMS
        if not whole.each or not is_usual(whole.most):
            return filled
        while done < most and goes_on() and not self._log.plainly_fits(length):
            programs = whole.first(min(len(whole.each), most - done))
            one = self._fill_next_block(length, programs, partial(draw, done, len(programs.each)))
            if one is None:
                break
            filled.append(one)
            done += len(programs.each)
        return filled

    def has_room(self, before: int, length: int) -> bool:
        """Whether the store's capacity takes an append of `length` bytes after `before` bytes of others."""
        growth = self._cost(self._span_bytes + before) - self._cost(self._span_bytes)
        return self._live_bytes + growth + self._volume.room.room_for(length) <= self._blocks.capacity

    def has_room_for_all(self) -> bool:
        """Whether the store's capacity takes appends up to the end of the block, whatever their lengths."""
        return self.has_room(max(self.end - self.at, 0), self.record_bytes_max)

    def filling(self) -> Filling:
        """Appends one by one, to find out how many fit."""
        return Filling(self)

    def alike(self, length: int, count: int) -> Programs:
        """The programs of `count` appends of `length` bytes each."""
        size = FRAME_BYTES + length
        pitch, padded = align_up(size, self.step), align_up(size, self.unit_bytes)
        return programs_of(self.at % self.page_bytes, pitch, padded, count, self.page_bytes)

    def append(self, lengths: Sequence[int], programs: Programs, payloads: Payloads) -> Filled:
        """Do the appends, which fit; `payloads` gives their bytes when they are needed."""
        head, run, log = self._head, self._run, self._log
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
        return self._grown(run.address, total, programs, None, lambda write: sum(lengths[: write + 1]))

    def _grown(
        self, address: int, total: int, programs: Programs, turn: Turn | None, bytes_after: Callable[[int], int]
    ) -> Filled:
        """The file is longer by `total` bytes, of the run that begins at `address`; what there is to note."""
        node, meters, cost = self._node, self._state.meters, self._cost
        live_bytes, span_bytes, before = self._live_bytes, self._span_bytes, cost(self._span_bytes)
        growth = cost(span_bytes + total) - before
        self._blocks.charge(address, growth)
        node.size += total
        meters.host_bytes += total
        meters.payload_bytes_programmed += total

        def live_bytes_after(write: int) -> int:
            return live_bytes + cost(span_bytes + bytes_after(write)) - before

        return Filled(programs, turn, live_bytes + growth, live_bytes_after)

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

    def _fill_next_block(self, length: int, programs: Programs, draw: Callable[[], Payloads]) -> Filled | None:
        """Go on in the next block with so many appends, at most those of `in_next_block`; `draw` gives their payloads.
        None, and nothing is done or drawn, where there is more to it."""
        node, log, state, count = self._node, self._log, self._state, len(programs.each)
        waiting = self._volume.room.room_for(length)
        total = count * length
        if state.committed + self._cost(total) + waiting > self._blocks.capacity or node.size + total > SIZE_MAX:
            return None
        state.reserved += waiting
        turn = self._turn_over()
        state.reserved -= waiting
        if turn is None:
            return None
        head = log.heads[0]
        assert head is not None
        self._live_bytes, self._span_bytes = state.committed, 0
        address, size = head.at, FRAME_BYTES + length
        program_bytes = count * align_up(size, self.unit_bytes)
        self._program(head, address + count * align_up(size, self.step), programs.total, program_bytes, draw())
        log.logged_bytes += count * size
        log.note_frame(head, DATA, address, log.sequence - head.base, total, node.number, node.size)
        log.sequence += count
        head.table.next_order += count - 1
        node.starts.append(node.size)
        node.places.append(address)
        return self._grown(address, total, programs, turn, lambda write: (write + 1) * length)

    def _turn_over(self) -> Turn | None:
        """Change the block; None where that takes more than the usual."""
        flash, meters = self._flash, self._state.meters
        reads, read_bytes, programs = flash.reads, flash.read_bytes, flash.programs
        erases, cleanings = flash.erases, meters.cleanings
        if not self._volume.cleaner.turn_over():
            return None
        return Turn(
            flash.reads - reads, flash.read_bytes - read_bytes, flash.programs - programs, flash.erases - erases,
            meters.cleanings - cleanings,
        )  # fmt: skip

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
        node, order = self._node, self._log.sequence - head.base
        make = partial(frames, node.number, node.size, order, payloads, head.salt, self.step)
        self._flash.program_late(head.at, end, programs, program_bytes, make)
        head.at = end


def frames(file: int, offset: int, order: int, payloads: Payloads, salt: int, step: int) -> bytes:
    """DATA frames one behind the other, each padded to where the next one begins."""
    made = []
    for payload in payloads():
        frame = encode_frame(DATA, file, offset, order, payload, salt)
        made.append(frame)
        if step > 1:
            made.append(b"\xff" * (-len(frame) % step))
        offset += len(payload)
        order += 1
    return b"".join(made)


def stretch_of(volume: Volume, node: FileNode) -> Stretch | None:
    """Appends to a file; None where they have to go one by one."""
    flash = volume.state.flash
    if not isinstance(flash, LateFlash) or not flash.takes_late or volume.state.layout.page_programs_max:
        return None
    return None if node.buffer or node.name is None or volume.read_only else Stretch(volume, node, flash)


def is_idle(volume: Volume) -> bool:
    """Whether idle time changes nothing in a store that cleans ahead, however long it is."""
    return not volume.state.segments.erasable() and not volume.cleaner.is_wanted()
