"""The log: frames appended to open blocks, blocks sealed, erased and opened. It knows no files and no cleaning."""

from __future__ import annotations

from collections.abc import Iterable

from simfs.flash import NorFlash
from simfs.store.blocks import BlockTable, State
from simfs.store.claims import Claims
from simfs.store.codec import (
    AGAIN_MAX,
    ENTRY_BYTES,
    ERASE_COUNT_MAX,
    ERASE_RECORD_BYTES,
    FRAME_BYTES,
    NO_BLOCK,
    ORDER_MAX,
    RECORD_BYTES,
    SEAL_BYTES,
    UNLISTED,
    Kind,
    OpenRecord,
    Seal,
    encode_erase_record,
    encode_frame,
    encode_open_record,
    encode_seal,
)
from simfs.store.layout import Layout, align_up
from simfs.store.meters import Meters
from simfs.store.runs import Run, RunTable


class OutOfBlocks(Exception):
    """No block is left that the log could go on in."""


class Head:
    """An open block: `at` is the address of the next frame, `room_end` the address that frames must not pass."""

    __slots__ = ("at", "base", "block", "end", "page_programs", "room_end", "salt", "start", "table")

    def __init__(self, block: int, start: int, end: int, base: int, salt: int, at: int, table: RunTable) -> None:
        self.block = block
        self.start = start
        self.end = end
        self.base = base
        self.salt = salt
        self.at = at
        self.table = table
        self.room_end = 0
        self.page_programs = 0


class Log:
    """Appends frames. `sequence` is the number of the next frame, over all heads."""

    def __init__(
        self,
        flash: NorFlash,
        layout: Layout,
        record: OpenRecord,
        blocks: BlockTable,
        claims: Claims,
        meters: Meters,
        erases_early: bool,
    ) -> None:
        self.flash = flash
        self.layout = layout
        self._page_bytes = layout.page_bytes
        self._step = layout.step
        self._program_page = flash.program
        self._plain = not layout.page_programs_max  # no page's programs have to be counted
        self.record = record
        self.blocks = blocks
        self.claims = claims
        self.meters = meters
        self.erases_early = erases_early  # keep a block ready whenever a head is open, not only when idle time allows
        self.heads: list[Head | None] = [None] * record.log_heads
        self.named: list[int | None] = [None] * record.log_heads  # by head without an open block: what it will open
        self.sequence = 0
        self.logged_bytes = 0  # the clock of the cleaner: how old data is counts what was logged since
        self.erases_announced: dict[int, int] = {}  # block: address of the ERASE frame that still stands
        self.asleep = False  # mounted, and nothing appended since: `wake` comes first
        self.tail_is_old = False  # the tail was found settled: a cut that left no trace may lie behind it
        self.bearers_in: dict[int, list[bytes]] = {}  # freed block: keys of the names that its dead frames bear

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
        self._skip_full_page(head)
        if head.at + size + ENTRY_BYTES <= head.room_end:
            return True
        if self.asleep:
            return False
        if head.table.continued(kind, file, offset, length, order) is not None:
            return head.at + size <= head.room_end
        run_count = len(head.table.runs) + 1
        if head.at + size <= self._room_end(head, run_count):
            return True
        return unlisted and head.at + size <= self._room_end(head, self.layout.runs_max + 1)

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

    def sleep(self) -> None:
        """Nothing is appended before `wake`."""
        self.asleep = True
        for head in self.heads:
            if head is not None:
                head.room_end = -1

    def wake(self) -> None:
        """Before the first frame after a mount: step over what a cut may have left behind the tails, and leave the
        pattern of a settled tail. One program for each open head at most."""
        self.asleep = False
        for which, head in enumerate(self.heads):
            if head is None:
                continue
            head.room_end = self._room_end(head, len(head.table.runs))
            again, end = 0, head.at
            if self.tail_is_old:
                again = self.skip_to_page(head, head.at, head.table.next_order)
            elif which and self.heads[0] is not None:
                continue
            if self.fits(which, Kind.MARK, 0, 0, 0, 0) and again <= AGAIN_MAX:
                self.append(which, Kind.MARK, 0, 0, 0, b"", again)
            else:
                head.at = end
                self.leave(which)

    def end_with_mark(self, heads: Iterable[int]) -> bool:
        """Let the tail look settled: a MARK behind the last frame of the first of these heads that has room for it. A
        head without room leaves its block. Whether there was a MARK."""
        for which in heads:
            if self.heads[which] is not None:
                if self.fits(which, Kind.MARK, 0, 0, 0, 0):
                    self.append(which, Kind.MARK, 0, 0, 0, b"")
                    return True
                self.leave(which)
        return False

    def skip_to_page(self, head: Head, content_end: int, bottom: int) -> int:
        """Let the head go on at the page after `content_end`, as only one page can have been in flight; how far back
        (`again`) the next frame has to reach so that no frame of order `bottom` or later counts that stands before
        it."""
        page, step = self.layout.page_bytes, self.layout.step
        head.at = head.start + align_up(content_end - head.start, step)
        self._skip_full_page(head)  # where the frame in flight would have gone
        head.at = head.start + align_up(align_up(head.at - head.start + 1, page), step)
        head.page_programs = 0
        self.sequence += 1
        return self.sequence - head.base - bottom

    def room_left(self, which: int, unlisted: bool) -> int:
        """Payload bytes that one more frame could hold in the head's open block, its run entry counted unless
        `unlisted`; below 0: none."""
        head = self.heads[which]
        if head is None or self.asleep or self.sequence - head.base > ORDER_MAX:
            return -1
        self._skip_full_page(head)
        run_count = self.layout.runs_max if unlisted else len(head.table.runs)
        return self._room_end(head, run_count + 1) - head.at - FRAME_BYTES

    def append(self, which: int, kind: int, file: int, offset: int, length: int, payload: bytes, again: int = 0) -> Run:
        """Program one frame that fits; the run it belongs to. Costs one program, two when it crosses a page."""
        head = self.heads[which]
        assert head is not None
        order = self.sequence - head.base
        frame = encode_frame(kind, file, offset, order, payload, head.salt, again)
        size = len(frame)
        address = head.at
        if address % self._page_bytes + size <= self._page_bytes and self._step == 1:
            self._program_page(address, frame)
            head.page_programs += 1
            head.at = address + size
        else:
            head.page_programs = self._program(address, frame) or head.page_programs + 1
            head.at = align_up(address + size, self._step)
        self.logged_bytes += size
        self.sequence += 1
        run = head.table.continued(kind, file, offset, length, order)
        if run is not None:
            run.length += length
            head.table.next_order = order + 1
            return run
        run = head.table.begin(kind, address, order, length, file, offset)
        head.room_end = self._room_end(head, len(head.table.runs))
        return run

    def _program(self, address: int, data: bytes) -> int:
        """Program `data`, padded to the program unit. 0 when one program did, 1 when the data went on into another
        page."""
        unit = self.layout.unit_bytes
        if unit > 1 and len(data) % unit:
            data += b"\xff" * (unit - len(data) % unit)
        page = self.layout.page_bytes
        room = page - address % page
        if len(data) <= room:
            self.flash.program(address, data)
            return 0
        at = 0
        while at < len(data):
            self.flash.program(address + at, data[at : at + room])
            at += room
            room = page
        return 1

    def _skip_full_page(self, head: Head) -> None:
        """Keep within the part's limit of programs in one page; the last of them is kept for the seal."""
        page, most = self.layout.page_bytes, self.layout.page_programs_max
        if head.at % page == 0:
            head.page_programs = 0
        elif most and head.page_programs >= most - 1:
            head.at += page - head.at % page
            head.page_programs = 0

    def _room_end(self, head: Head, run_count: int) -> int:
        listed = run_count if run_count <= self.layout.runs_max else 0
        end = head.end - SEAL_BYTES - listed * ENTRY_BYTES - self.layout.erase_room
        return end - end % self.layout.page_bytes if self.layout.whole_pages else end

    def advance(self, which: int, cold: bool = False) -> None:
        """Leave the head's block, sealed, and open another one: a worn one for `cold` data. Costs a seal, an open
        record and, when no block is ready, an erase with its record. Raises OutOfBlocks when there is none."""
        named = self.named[which]
        block = self.choose_block(which, cold) if named is None else named
        must_erase = self.blocks.state[block] != State.READY
        if self.heads[which] is not None:
            if must_erase and block not in self.erases_announced:
                self._announce_erase(which, block)
            self.seal(which, block)
        elif named is None and not must_erase and self.announce_anywhere(block):
            self.blocks.doubt(block)  # no seal names it: only an erase tells a cut while opening it from a blank block
            must_erase = True
        if must_erase:
            self.erase(block)
        self.open(which, block)
        if self.erases_early and not self.blocks.ready:
            for following in self.erasable()[:1]:
                self.erase_ahead(following)

    def choose_block(self, which: int, cold: bool) -> int:
        """The block that the head goes on in, ready or still to be erased: the most worn for cold data, which give it a
        rest, else the least worn of the ready ones, or of the freed ones when none is ready."""
        ready = self._blank_block(-1 if cold else 0)
        if ready and not cold:
            return ready[0]
        wear = self.blocks.erase_count
        able = sorted(self._freed_for(which), key=wear.__getitem__)
        if not able and not ready and self.blocks.freed:
            self.leave(len(self.heads) - 1)  # all wait for the head of relocated data: it has to leave its block early
            able = sorted(self.blocks.freed, key=wear.__getitem__)
        if not ready and not able:
            raise OutOfBlocks
        return max(ready + able[-1:], key=wear.__getitem__) if cold else able[0]

    def _freed_for(self, which: int) -> list[int]:
        """The freed blocks that may be erased once the head has left its block."""
        return sorted(self.blocks.freed) if which == len(self.heads) - 1 else self.erasable()

    def _blank_block(self, end: int) -> list[int]:
        """The ready block at this end of their order by wear, if any. One that is not blank after all must be erased.
        """
        ready = self.blocks.ready
        while ready:
            block: int = ready[end][1]
            skip = ERASE_RECORD_BYTES if self.blocks.recorded[block] else 0
            if self.flash.blank(block * self.layout.block_bytes + skip, self.layout.block_bytes - skip):
                return [block]
            self.blocks.doubt(block)
        return []

    def erasable(self) -> list[int]:
        """Freed blocks that may be erased at once: the block that their live frames went to has been closed."""
        head = self.heads[-1]
        freed_at = self.blocks.freed_at
        return sorted(
            (block for block in self.blocks.freed if head is None or head.base > freed_at[block]),
            key=lambda block: (self.blocks.erase_count[block], block),
        )

    def erase_ahead(self, block: int) -> bool:
        """Erase a freed block before it is needed, announced in any open block; False when none has room for that."""
        announced = self.announce_anywhere(block)
        if announced:
            self.erase(block)
        return announced

    def announce_anywhere(self, block: int) -> bool:
        """Write the ERASE frame of a block in any open block; whether one had room for it."""
        if self.asleep:
            self.wake()
        for which, head in enumerate(self.heads):
            if head is not None and self.fits(which, Kind.ERASE, block, 0, 0, 0):
                self._announce_erase(which, block)
                return True
        return False

    def _announce_erase(self, which: int, block: int) -> None:
        head = self.heads[which]
        assert head is not None
        self._skip_full_page(head)
        run = self.append(which, Kind.ERASE, block, self.blocks.erase_count[block], 0, b"")
        self.erases_announced[block] = run.address

    def erase(self, block: int) -> None:
        """Erase a block and program its erase record: one erase, one program."""
        self.flash.erase(block)
        self.blocks.note_erase_count(block, min(self.blocks.erase_count[block] + 1, ERASE_COUNT_MAX))
        self.flash.program(block * self.layout.block_bytes, encode_erase_record(self.blocks.erase_count[block]))
        self.blocks.recorded[block] = True
        self.blocks.make_ready(block)
        self.erases_announced.pop(block, None)
        self.claims.erased(self.bearers_in.pop(block, []))
        self.meters.erases += 1

    def open(self, which: int, block: int, base: int | None = None) -> None:
        """Make a ready block the log head: one program. `base`: its base, when that is not the next sequence number."""
        base = self.sequence if base is None else base
        others = [other for _, other in self.blocks.ready if other != block][:1] or sorted(self.blocks.freed)[:1]
        record = self.record._replace(base=base, head=which, next=others[0] if others else NO_BLOCK)
        raw, salt = encode_open_record(record, self.blocks.erase_count[block])
        start = block * self.layout.block_bytes
        if self.blocks.recorded[block]:
            self.flash.program(start + ERASE_RECORD_BYTES, raw)
        else:
            self.flash.program(start, encode_erase_record(0) + raw)
            self.blocks.recorded[block] = True
        self.blocks.take(block)
        self.named = [None if named == block or at == which else named for at, named in enumerate(self.named)]
        self.blocks.base[block] = base
        self.blocks.salt[block] = salt
        self.resume(which, block, start + self.layout.first, RunTable(), 2 if self.layout.first == RECORD_BYTES else 0)

    def resume(self, which: int, block: int, at: int, table: RunTable, page_programs: int) -> None:
        """Go on in an open block from address `at`."""
        start = block * self.layout.block_bytes
        base, salt = self.blocks.base[block], self.blocks.salt[block]
        head = Head(block, start, start + self.layout.block_bytes, base, salt, at, table)
        head.page_programs = page_programs
        head.room_end = self._room_end(head, len(table.runs))
        self.heads[which] = head

    def seal(self, which: int, following: int, content_end: int = 0) -> None:
        """Close the head's block: the run entries, if they have room, and the seal. One program a page."""
        head = self.heads[which]
        assert head is not None
        self.write_seal(head.block, head.table, head.at, max(head.at, content_end), following)
        self.close(which)

    def leave(self, which: int, following: int | None = None, content_end: int = 0) -> None:
        """Seal the head's block with no need yet of another one. The seal names the one that the head will open."""
        ready, freed = self.blocks.ready, self.blocks.freed
        if following is None:
            following = ready[0][1] if ready else min(freed, default=None)
        self.seal(which, NO_BLOCK if following is None else following, content_end)
        self.named[which] = following

    def write_seal(self, block: int, table: RunTable, end: int, content_end: int, following: int) -> None:
        """Program run entries and seal of a block whose frames end at address `end`, and anything programmed at
        `content_end`."""
        start = block * self.layout.block_bytes
        stop = start + self.layout.block_bytes
        runs = table.runs
        listed = len(runs) <= self.layout.runs_max and content_end + len(runs) * ENTRY_BYTES + SEAL_BYTES <= stop
        entries = [run.encode(start) for run in runs] if listed else []
        seal = Seal(len(runs) if listed else UNLISTED, end - start, following, min(table.next_order, ORDER_MAX))
        raw = encode_seal(entries, seal, self.blocks.salt[block])
        self._program(stop - len(raw), raw)

    def close(self, which: int) -> None:
        """Leave the head's block as it is."""
        head = self.heads[which]
        assert head is not None
        self.heads[which] = None
        if which == 0:
            self.blocks.written_at[head.block] = self.logged_bytes
        self.blocks.close(head.block)
