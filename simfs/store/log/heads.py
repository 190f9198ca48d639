"""The log: frames appended to open blocks. It knows no files, and nothing of what comes after a full block."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from simfs.flash import FlashError, NorFlash
from simfs.store.format.codec import (
    DATA,
    ENTRY_BYTES,
    FRAME_BYTES,
    LENGTH_MAX,
    ORDER_MAX,
    SKIP,
    U32,
    encode_frame,
)
from simfs.store.format.layout import Layout, Placed, align_up
from simfs.store.format.runs import Run, RunTable
from simfs.store.log.even_frames import LateFrames
from simfs.store.tables.blocks import BlockTable


class Head:
    """An open block: `at` is the address of the next frame, `room_end` the address that frames must not pass.
    `asleep`: `Segments.wake` comes before the next frame. `void_from`: the address from which on nothing that stands
    before `at` counts, which the next frame has to say."""

    __slots__ = (
        "asleep", "at", "base", "block", "end", "page_programs", "room_end", "salt", "start", "table", "void_from",
    )  # fmt: skip

    def __init__(self, block: int, start: int, end: int, base: int, salt: int, at: int, table: RunTable) -> None:
        self.block = block
        self.start = start
        self.end = end
        self.base = base
        self.salt = salt
        self.at = at
        self.table = table
        self.room_end = 0
        self.page_programs: int  # in the page of `at`, where the part limits them
        self.void_from: int | None = None
        self.asleep = False

    def twin(self) -> Head:
        """Another one like this."""
        twin = Head(self.block, self.start, self.end, self.base, self.salt, self.at, self.table.copy())
        twin.room_end, twin.page_programs = self.room_end, self.page_programs
        twin.void_from, twin.asleep = self.void_from, self.asleep
        return twin


class Batch(NamedTuple):
    """Appends to one file, one behind the other: each becomes a DATA frame. `payloads` gives their bytes whenever it is
    asked, the same each time."""

    total_bytes: int
    placed: Placed
    payloads: Callable[[], Sequence[bytes]]


class Log:
    """Appends frames. `sequence` is the number of the next frame, over all heads."""

    def __init__(self, flash: NorFlash, layout: Layout, blocks: BlockTable, heads: int) -> None:
        self.flash = flash
        self.layout = layout
        self._page_bytes = layout.page_bytes
        self._step = layout.step
        self._program_page = flash.program
        self._plain = not layout.page_programs_max  # no page's programs have to be counted
        self.blocks = blocks
        self.heads: list[Head | None] = [None] * heads
        self.sequence = 0
        self.logged_bytes = 0  # the clock of the cleaner: how old data is counts what was logged since
        self.on_failure: Callable[[int], None]  # gives a head whose block failed another one: `Segments` does

    def fits(
        self, which: int, kind: int, file: int, offset: int, length: int, payload_bytes: int, unlisted: bool = False
    ) -> bool:
        """Whether a frame of `payload_bytes` has room in the head's open block. `unlisted`: the frame is worth more
        than the listing of the block's runs."""
        head = self.heads[which]
        if head is None:
            return False
        size = FRAME_BYTES + payload_bytes
        order = self.sequence - head.base
        if order > ORDER_MAX:
            return False
        self.skip_full_page(head)
        if head.at + size + ENTRY_BYTES <= head.room_end:
            return True
        if head.asleep:
            return False
        if head.table.continued(kind, file, offset, length, order) is not None:
            return head.at + size <= head.room_end
        run_count = len(head.table.runs) + 1
        if head.at + size <= self.room_end_of(head, run_count):
            return True
        return unlisted and head.at + size <= self.room_end_of(head, self.layout.runs_max + 1)

    def plainly_fits(self, payload_bytes: int) -> bool:
        """Whether a frame has room in the first head's open block even if it begins a run; `fits` is slower, and may
        say yes where this says no."""
        head = self.heads[0]
        return (
            head is not None
            and head.at + (FRAME_BYTES + ENTRY_BYTES) + payload_bytes <= head.room_end
            and self._plain
            and self.sequence - head.base <= ORDER_MAX
        )

    def count_plainly_fitting(self, file: int, offset: int, length: int, most: int) -> int:
        """How many DATA frames of this length, each behind the one before, `plainly_fits` would let into one run of the
        first head's open block, at most `most`."""
        head = self.heads[0]
        if not self.plainly_fits(length) or head is None:
            return 0
        order, table = self.sequence - head.base, head.table
        run = table.continued(DATA, file, offset, length, order)
        room_end = min(head.room_end, self.room_end_of(head, len(table.runs) + (run is None)))
        last_at = room_end - FRAME_BYTES - ENTRY_BYTES - length  # where the last one may start
        run_bytes = LENGTH_MAX - (run.length if run else 0)
        return min(
            most, (last_at - head.at) // self.layout.pitch(length) + 1, run_bytes // length, ORDER_MAX - order + 1
        )

    def sleep(self) -> None:
        """Nothing is appended to any head before `Segments.wake`."""
        for head in self.heads:
            if head is not None:
                head.asleep, head.room_end = True, -1

    def room_left(self, which: int, unlisted: bool) -> int:
        """Payload bytes that one more frame could hold in the head's open block, its run entry counted unless
        `unlisted`; below 0: none."""
        head = self.heads[which]
        if head is None or head.asleep or self.sequence - head.base > ORDER_MAX:
            return -1
        self.skip_full_page(head)
        run_count = self.layout.runs_max if unlisted else len(head.table.runs)
        return self.room_end_of(head, run_count + 1) - head.at - FRAME_BYTES

    def write(self, which: int, file: int, offset: int, data: bytes | Batch) -> Run:
        """Append DATA frames that fit, one or a batch: the run that they continue or begin. A frame costs one program,
        one more for each page end in it. Where the flash reports a failure, the head gets another block first."""
        head = self.heads[which]
        assert head is not None
        address, order = head.at, self.sequence - head.base
        if type(data) is bytes:
            count, length = 1, len(data)
            if not self._program_frame(which, head, encode_frame(DATA, file, offset, order, data, head.salt)):
                return self.write(which, file, offset, data)
        else:
            assert isinstance(data, Batch)
            count, length = data.placed.frame_count, data.total_bytes
            self._program_batch(head, file, offset, order, data)
        run = head.table.continued(DATA, file, offset, length, order)
        if run is None:
            run = self._begin_run(head, DATA, address, order, length, file, offset)
        else:
            run.length += length
        head.table.next_order = order + count
        return run

    def append(self, which: int, kind: int, file: int, offset: int, length: int, payload: bytes) -> Run:
        """Append one frame that fits and continues no run: the run that it begins. Costs as above."""
        head = self.heads[which]
        assert head is not None
        address, order = head.at, self.sequence - head.base
        if not self._program_frame(which, head, encode_frame(kind, file, offset, order, payload, head.salt)):
            return self.append(which, kind, file, offset, length, payload)
        return self._begin_run(head, kind, address, order, length, file, offset)

    def _program_frame(self, which: int, head: Head, frame: bytes) -> bool:
        """Program a frame where the head stands; False where that failed, and the head has another block now."""
        address, size, page = head.at, len(frame), self._page_bytes
        room = page - address % page
        try:
            if self._step == 1 and size <= room:
                self._program_page(address, frame)
                head.page_programs += 1
                head.at = address + size
            elif self._step == 1 and size <= room + page:
                self._program_page(address, frame[:room])
                self._program_page(address + room, frame[room:])
                head.page_programs, head.at = 1, address + size
            else:
                head.page_programs = self.program(address, frame) or head.page_programs + 1
                head.at = align_up(address + size, self._step)
        except FlashError:
            self.on_failure(which)
            return False
        self.logged_bytes += size
        self.sequence += 1
        return True

    def _program_batch(self, head: Head, file: int, offset: int, order: int, batch: Batch) -> None:
        """Program all frames of a batch; their bytes are made when somebody reads them."""
        placed = batch.placed
        make = LateFrames(file, offset, order, batch.payloads, head.salt, self._step)
        end = head.at + placed.room_bytes
        self.flash.program_late(head.at, end, placed.programs, placed.program_bytes, make)
        head.at = end
        self.logged_bytes += batch.total_bytes + FRAME_BYTES * placed.frame_count
        self.sequence += placed.frame_count

    def _begin_run(self, head: Head, kind: int, address: int, order: int, length: int, file: int, offset: int) -> Run:
        run = head.table.begin(kind, address, order, length, file, offset)
        head.room_end = self.room_end_of(head, len(head.table.runs))
        return run

    def program(self, address: int, data: bytes) -> int:
        """Program `data`, padded to the program unit. 0 when one program did, 1 when the data went on into another
        page."""
        data += b"\xff" * (self.layout.padded(len(data)) - len(data))
        room = self.layout.left_in_page(address)
        if len(data) <= room:
            self.flash.program(address, data)
            return 0
        at = 0
        while at < len(data):
            self.flash.program(address + at, data[at : at + room])
            at += room
            room = self.layout.page_bytes
        return 1

    def skip_full_page(self, head: Head) -> None:
        """Keep within the part's limit of programs in one page; the last of them is kept for the seal."""
        page, most = self.layout.page_bytes, self.layout.page_programs_max
        if head.at % page == 0:
            head.page_programs = 0
        elif most and head.page_programs >= most - 1:
            head.at += page - head.at % page
            head.page_programs = 0

    def room_end_of(self, head: Head, run_count: int) -> int:
        return head.start + self.layout.room_end(run_count)

    def skip(self, which: int) -> None:
        """Say with a SKIP frame that nothing counts from the head's `void_from` up to here. One program."""
        head = self.heads[which]
        assert head is not None
        assert head.void_from is not None
        payload = U32.pack(head.void_from - head.start)
        frame = encode_frame(SKIP, 0, 0, self.sequence - head.base, payload, head.salt)
        if self._program_frame(which, head, frame):
            head.void_from = None

    def resume(self, which: int, block: int, at: int, table: RunTable, page_programs: int) -> Head:
        """Go on in an open block from address `at`."""
        start = block * self.layout.block_bytes
        base, salt = self.blocks.base[block], self.blocks.salt[block]
        head = Head(block, start, start + self.layout.block_bytes, base, salt, at, table)
        head.page_programs = page_programs
        head.room_end = self.room_end_of(head, len(table.runs))
        self.heads[which] = head
        return head
