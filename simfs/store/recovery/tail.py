"""What a power cut may have left uncertain of a log, and what the next statement has to say of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import NamedTuple

from simfs.store.format.codec import (
    END_BYTES,
    ENTRY_BYTES,
    HEADER_BYTES,
    INNER,
    NO_BLOCK,
    NOWHERE,
    SKIP,
    Frame,
    decode_end,
    encode_frame,
    salt_of,
)
from simfs.store.format.layout import align_up
from simfs.store.format.statement import NO_OTHER, Left, Other, Statement, encode_statement
from simfs.store.log.block_scan import scan, table_of
from simfs.store.log.killed import is_to_be_killed
from simfs.store.log.marks import is_marked, is_sure
from simfs.store.log.statements import NAMED
from simfs.store.mounting.survey import Survey
from simfs.store.recovery.touched import untouched


class Doubtful(NamedTuple):
    """The newest sound frame, which may be weak, and the block in which it stands. Everything older is sound."""

    block: int
    frame: Frame
    payload: bytes


class Tail:
    """How the log ends. `number` is that of the next statement; the frame in doubt gets the one before. `left`: blocks
    that it has to say are left without a seal."""

    def __init__(self, found: Survey) -> None:
        self.found, self.state, self.said = found, found.state, found.said
        self.layout, self.log = self.state.layout, self.state.log
        self.lead = found.ruling.lead
        self.scan = found.scan_of(self.lead)
        self.start = self.lead * self.layout.block_bytes
        self.place = self.layout.place_of(self.said)
        self.is_sure = is_sure(self.layout, self.scan.raw, self.said)
        # The ruling statement may be weak itself: all that it says is said again.
        self.voids_ruling = not self.is_sure and not any(found.behind.values())
        self.left = list(self.said.left) if self.voids_ruling else []
        self.number = self.log.sequence + 1
        self.doubtful = self._doubtful()
        self.end = self._end()
        self.other = self._other()

    def is_whole(self) -> bool:
        """Whether END says that the ruling statement is whole, and no recovery before has doubted it."""
        end = decode_end(self.scan.raw[self.place.end : self.place.end + END_BYTES], self.lead)
        return end == self.said.number and not self._is_marked(self.lead, self.place.doubted)

    def can_settle(self) -> bool:
        """Whether SURE is all that is missing."""
        begun = self.is_whole() or self.is_sure
        return begun and self.ends_there() and not self._goes_on() and not self.lead_is_leaving()

    def is_followed(self) -> bool:
        """Whether anything stands behind the ruling statement, seen or torn: NEXT came before that."""
        return any(self.found.behind.values()) or self.scan.trace_end > self.place.frames

    def ends_there(self) -> bool:
        """Whether nothing stands behind the ruling statement, and neither does in the other head's block."""
        if self.is_followed():
            return False
        other = self.said.other
        return other.block == NO_BLOCK or (
            other.go != NOWHERE and self.found.scan_of(other.block).trace_end <= other.go
        )

    def is_settled(self) -> bool:
        """Whether the log ends as a recovery leaves it. LEFT or SEALING show that NEXT was programmed, though cuts may
        have left it weak."""
        last = self.place.sure + self.layout.mark_bytes - self.layout.unit_bytes
        sure = is_marked(self.scan.raw[last : self.place.sure + self.layout.mark_bytes])
        goes_on = self._goes_on() or self.lead_is_leaving()
        return sure and self.is_sure and not goes_on and self.ends_there()

    def tried_from(self) -> int:
        """The place of the ruling statement, or of the first of those that it repeats."""
        return self.said.at if self.said.end == NOWHERE else self.said.end

    def lead_is_leaving(self) -> bool:
        """Whether the log was about to leave the lead, or a recovery to kill what is there: it takes no statement."""
        is_sealing = self._is_marked(self.lead, self.layout.sealing_at)
        return self.state.segments.is_left or is_sealing or is_to_be_killed(self.scan, self.layout)

    def lead_is_proven(self) -> bool:
        """Whether the lead counts for sure: a statement in it does, or something sound stands behind its first one.
        Else its statements may read as nothing later, and the lead before rules again. LEFT and SEALING, which come
        after NEXT, show it, but where statements are marked so before they are killed."""
        if self._has_left() and (self.layout.page_packing or not self.layout.can_kill):
            return True
        if any(is_sure(self.layout, self.scan.raw, one) for one in self.scan.counted_statements()):
            return True
        first, stated = self.tried_from(), {one.inner for one in self.scan.statements}
        behind = any(frame.address > first and frame.address not in stated for frame in self.scan.valid())
        return behind or not self._follows()

    def sure_names(self) -> list[int]:
        """The named blocks. Where the ruling statement may read as nothing later, and another one in the lead would
        rule then, those that both name, if any."""
        named, counted = list(self.said.named), self.scan.counted_statements()
        if self.voids_ruling and len(counted) > 1:
            return [block for block in named if block in counted[-2].named] or named
        return named

    def with_names(self, said: Statement, named: Iterable[int]) -> Statement:
        """The statement with these dead blocks, and blocks that were never used, as many as should be named."""
        count, used, names = len(self.state.blocks), self.said.used, list(named)
        while len(names) < NAMED and used < count:
            names.append((self.said.used_from + used) % count)
            used += 1
        first, second = [*names, NO_BLOCK, NO_BLOCK][:NAMED]
        counts = [*self.state.blocks.erase_count, 0]
        return replace(
            said, next=first, next_erase_count=counts[min(first, count)],
            after=second, after_erase_count=counts[min(second, count)], used=used,
        )  # fmt: skip

    def raw_of(self, block: int) -> bytes:
        """All bytes of a block: one read."""
        return self.state.flash.read(block * self.layout.block_bytes, self.layout.block_bytes)

    def _follows(self) -> bool:
        """Whether the lead before can still be read, and names this one."""
        before = self.said.before
        if before == NO_BLOCK:
            return False
        statements = scan(self.raw_of(before), before, self.layout).statements
        return bool(statements) and statements[0].base == self.said.before_base and self.lead in statements[-1].named

    def _doubtful(self) -> Doubtful | None:
        """That in the ruling statement where no frame is newer."""
        newer = [
            (self.found.used[block].base + frame.order, block, frame)
            for block, frames in self.found.behind.items()
            for frame in frames
            if frame.kind != SKIP
        ]
        if newer:
            _, block, frame = max(newer)
        else:
            inner = [one for one in self.scan.frames if one.address == self.said.inner]
            if not inner or not self.voids_ruling:
                return None
            block, frame = self.lead, inner[0]
        at = block * self.layout.block_bytes + frame.address + HEADER_BYTES
        return Doubtful(block, frame, self.state.flash.read(at, frame.length) if frame.length else b"")

    def _end(self) -> int:
        """Where what counts in the lead ends."""
        if self.voids_ruling:
            return self.tried_from()
        if self.doubtful is not None and self.doubtful.block == self.lead:
            return self.doubtful.frame.address
        return self.scan.end

    def _other(self) -> Other:
        """What to say of the other head's block; it is left without a seal where the head can't go on in it."""
        said, layout = self.said.other, self.layout
        if said.block == NO_BLOCK:
            return said
        use, found = self.found.used[said.block], self.found.scan_of(said.block)
        end, go = found.end, align_up(found.end, layout.step)
        pending = said.go != NOWHERE and not any(frame.kind != SKIP for frame in self.found.behind[said.block])
        if self.doubtful is not None and self.doubtful.block == said.block:
            end = self.doubtful.frame.address
        elif pending:
            end, go = said.end, max(go, said.go)
        go = untouched(layout, found, use.base, go)
        last = use.base + table_of(layout, found, end).next_order - 1 if found.valid(end) else 0
        room = 2 * layout.frame_cost(layout.payload_max) + layout.runs_max * ENTRY_BYTES
        if self._is_marked(said.block, layout.sealing_at) or go + room > layout.room_end():
            self.left.append(Left(said.block, use.base, end))
            return NO_OTHER
        return Other(said.block, end, go, last)

    def _has_left(self) -> bool:
        """Whether LEFT shows that the log was leaving, or SEALING where no mark beside it was begun that may be cut."""
        is_sealing = self._is_marked(self.lead, self.layout.sealing_at)
        return self.state.segments.is_left or (is_sealing and not is_to_be_killed(self.scan, self.layout))

    def _goes_on(self) -> bool:
        """Whether more was begun behind the ruling statement, or it was doubted."""
        return self._is_marked(self.lead, self.place.doubted) or self._is_marked(self.lead, self.place.next)

    def _is_marked(self, block: int, address: int) -> bool:
        return is_marked(self.found.scan_of(block).raw[address : address + self.layout.mark_bytes])


def encoded(said: Statement, block: int, doubtful: Doubtful | None) -> bytes:
    """The frame of a statement in this block, with the frame in doubt in it."""
    if doubtful is None:
        return encode_statement(block, said)
    frame, salt = doubtful.frame, salt_of(block, said.base)
    inner = encode_frame(frame.kind ^ INNER, frame.file, frame.offset, said.order - 1, doubtful.payload, salt)
    return encode_statement(block, said, inner)
