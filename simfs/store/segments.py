"""What comes after a full block: blocks sealed, chosen, erased and opened, and how the log's tails end."""

from __future__ import annotations

from collections.abc import Iterable

from simfs.store.blocks import BlockTable, State
from simfs.store.claims import Claims
from simfs.store.codec import (
    AGAIN_MAX,
    ENTRY_BYTES,
    ERASE_COUNT_MAX,
    ERASE_RECORD_BYTES,
    NO_BLOCK,
    ORDER_MAX,
    RECORD_BYTES,
    SEAL_BYTES,
    UNLISTED,
    Kind,
    OpenRecord,
    Seal,
    encode_erase_record,
    encode_open_record,
    encode_seal,
)
from simfs.store.log import Log
from simfs.store.meters import Meters
from simfs.store.runs import RunTable


class OutOfBlocks(Exception):
    """No block is left that the log could go on in."""


class Segments:
    """Moves the log's heads from block to block."""

    def __init__(self, log: Log, record: OpenRecord, claims: Claims, meters: Meters, erases_early: bool) -> None:
        self.log = log
        self.flash = log.flash
        self.layout = log.layout
        self.blocks: BlockTable = log.blocks
        self.record = record
        self.claims = claims
        self.meters = meters
        self.erases_early = erases_early  # keep a block ready whenever a head is open, not only when idle time allows
        self.named: list[int | None] = [None] * len(log.heads)  # by head without an open block: what it will open
        self.erases_announced: dict[int, int] = {}  # block: address of the ERASE frame that still stands
        self.tail_is_old = False  # the tail was found settled: a cut that left no trace may lie behind it
        self.bearers_in: dict[int, list[bytes]] = {}  # freed block: keys of the names that its dead frames bear

    def advance(self, which: int, cold: bool = False) -> None:
        """Leave the head's block, sealed, and open another one: a worn one for `cold` data. Costs a seal, an open
        record and, when no block is ready, an erase with its record. Raises OutOfBlocks when there is none."""
        named = self.named[which]
        block = self.choose_block(which, cold) if named is None else named
        must_erase = self.blocks.state[block] != State.READY
        if self.log.heads[which] is not None:
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
        able = sorted(self._freed_for(which), key=self._turn)
        if not able and not ready and self.blocks.freed:
            self.leave(
                len(self.log.heads) - 1
            )  # all wait for the head of relocated data: it has to leave its block early
            able = sorted(self.blocks.freed, key=self._turn)
        if not ready and not able:
            raise OutOfBlocks
        return max(ready + able[-1:], key=wear.__getitem__) if cold else able[0]

    def _freed_for(self, which: int) -> list[int]:
        """The freed blocks that may be erased once the head has left its block."""
        return sorted(self.blocks.freed) if which == len(self.log.heads) - 1 else self.erasable()

    def _blank_block(self, end: int) -> list[int]:
        """The ready block at this end of their order by wear, if any. One that is not blank after all is erased."""
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
        head = self.log.heads[-1]
        freed_at = self.blocks.freed_at
        return sorted(
            (block for block in self.blocks.freed if head is None or head.base >= freed_at[block]),
            key=self._turn,
        )

    def _turn(self, block: int) -> tuple[bool, int, int]:
        """Whose turn to be erased it is: blocks in doubt, then the least worn."""
        return block not in self.blocks.in_doubt, self.blocks.erase_count[block], block

    def erase_ahead(self, block: int) -> bool:
        """Erase a freed block before it is needed, announced in any open block; False when none has room for that."""
        announced = self.announce_anywhere(block)
        if announced:
            self.erase(block)
        return announced

    def announce_anywhere(self, block: int) -> bool:
        """Write the ERASE frame of a block in any open block; whether one had room for it."""
        if self.log.asleep:
            self.wake()
        for which, head in enumerate(self.log.heads):
            if head is not None and self.log.fits(which, Kind.ERASE, block, 0, 0, 0):
                self._announce_erase(which, block)
                return True
        return False

    def _announce_erase(self, which: int, block: int) -> None:
        head = self.log.heads[which]
        assert head is not None
        self.log.skip_full_page(head)
        run = self.log.append(which, Kind.ERASE, block, self.blocks.erase_count[block], 0, b"")
        self.erases_announced[block] = run.address

    def erase(self, block: int) -> None:
        """Erase a block and program its erase record: one erase, one program."""
        self.flash.erase(block)
        self.blocks.note_erase_count(block, min(self.blocks.erase_count[block] + 1, ERASE_COUNT_MAX))
        self.flash.program(block * self.layout.block_bytes, encode_erase_record(self.blocks.erase_count[block]))
        self.blocks.recorded[block] = True
        self.blocks.make_ready(block)
        self.erases_announced.pop(block, None)
        self.blocks.in_doubt.discard(block)
        self.claims.erased(self.bearers_in.pop(block, []))
        self.meters.erases += 1

    def open(self, which: int, block: int, base: int | None = None) -> None:
        """Make a ready block the log head: one program. `base`: its base, when that is not the next sequence number."""
        base = self.log.sequence if base is None else base
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
        self.log.resume(
            which, block, start + self.layout.first, RunTable(), 2 if self.layout.first == RECORD_BYTES else 0
        )

    def wake(self) -> None:
        """Before the first frame after a mount: step over what a cut may have left behind the tails, and leave the
        pattern of a settled tail. One program for each open head at most."""
        self.log.asleep = False
        for which, head in enumerate(self.log.heads):
            if head is None:
                continue
            head.room_end = self.log.room_end_of(head, len(head.table.runs))
            again, end = 0, head.at
            if self.tail_is_old:
                again = self.log.skip_to_page(head, head.at, head.table.next_order)
            elif which and self.log.heads[0] is not None:
                continue
            if self.log.fits(which, Kind.MARK, 0, 0, 0, 0) and again <= AGAIN_MAX:
                self.log.append(which, Kind.MARK, 0, 0, 0, b"", again)
            else:
                head.at = end
                self.leave(which)

    def end_with_mark(self, heads: Iterable[int]) -> bool:
        """Let the tail look settled: a MARK behind the last frame of the first of these heads that has room for it. A
        head without room leaves its block. Whether there was a MARK."""
        for which in heads:
            if self.log.heads[which] is not None:
                if self.log.fits(which, Kind.MARK, 0, 0, 0, 0):
                    self.log.append(which, Kind.MARK, 0, 0, 0, b"")
                    return True
                self.leave(which)
        return False

    def seal(self, which: int, following: int, content_end: int = 0) -> None:
        """Close the head's block: the run entries, if they have room, and the seal. One program a page."""
        head = self.log.heads[which]
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
        self.log.program(stop - len(raw), raw)

    def close(self, which: int) -> None:
        """Leave the head's block as it is."""
        head = self.log.heads[which]
        assert head is not None
        self.log.heads[which] = None
        if which == 0:
            self.blocks.written_at[head.block] = self.log.logged_bytes
        self.blocks.close(head.block)
