"""What the newest statement says, what the next one has to say, and where it stands what the log tells of blocks."""

from __future__ import annotations

from simfs.flash import FlashError
from simfs.store.format.codec import BASE, ERASE_COUNT_MAX, NO_BLOCK, STATEMENT
from simfs.store.format.layout import Place
from simfs.store.format.statement import Left, Other, Settings, Statement
from simfs.store.log.heads import Head, Log
from simfs.store.tables.blocks import BlockTable
from simfs.store.tables.claims import Claims
from simfs.store.tables.meters import Meters

NAMED = 2  # so many dead blocks are named ahead: one more, should one of them fail


class Statements:
    """Keeps what statements say. `lead` is the block in which the ruling one stands."""

    def __init__(self, log: Log, settings: Settings, claims: Claims, meters: Meters) -> None:
        self.log = log
        self.flash, self.layout = log.flash, log.layout
        self.blocks: BlockTable = log.blocks
        self.claims = claims
        self.meters = meters
        self.settings = settings
        self.lead, self.lead_base = NO_BLOCK, 0
        self.before, self.before_base = NO_BLOCK, 0  # the lead before
        self.is_left = False  # LEFT stands in the lead
        self.next_mark: int | None = None  # where the ruling statement's NEXT stands, while it is not programmed
        self.used_from = self.used = 0  # the blocks that were ever used
        self.erasable: set[int] = set()  # the blocks that the ruling statement names
        self.ready: int | None = None  # a named block that was erased ahead
        self.untold: list[Left] = []  # blocks left without a seal that no statement tells of yet
        self.told_at: dict[int, int | None] = {}  # blocks bad or without a seal: where it is told; None: nowhere yet
        self.bearers_in: dict[int, list[bytes]] = {}  # dead block: keys of the names that its frames bear

    def take_up(self, ruling: Statement, lead: int, is_left: bool, next_mark: int | None) -> None:
        """At a mount: go on from this statement."""
        self.lead, self.lead_base, self.is_left, self.next_mark = lead, ruling.base, is_left, next_mark
        self.before, self.before_base = ruling.before, ruling.before_base
        self.used_from, self.used = ruling.used_from, ruling.used
        self.erasable = set(ruling.named)

    def statement(self, which: int, block: int, base: int, order: int) -> Statement:
        """What there is to say in a block of this head."""
        blocks, heads = self.blocks, self.log.heads
        other = heads[1 - which] if len(heads) > 1 else None
        first, second = [*blocks.named, NO_BLOCK, NO_BLOCK][:NAMED]
        counts = blocks.erase_count
        return Statement(
            self.settings, base, order, blocks.erase_count[block], blocks.erase_count_max, which,
            first, counts[first] if first != NO_BLOCK else 0, second, counts[second] if second != NO_BLOCK else 0,
            self.used_from, self.used, self.before, self.before_base, blocks.base_sum, blocks.place_sum,
            other=Other() if other is None else said_of(other), left=tuple(self.untold),
        )  # fmt: skip

    def _follow(self, which: int, said: Statement, place: Place) -> None:
        """The head goes on behind a statement just programmed."""
        head = self.log.heads[which]
        assert head is not None
        head.at = head.start + place.frames
        head.page_programs = self.layout.programs_before(place)
        if said.left:
            head.table.begin(STATEMENT, head.start + place.statement, said.order, 0, 0, 0)
            head.room_end = self.log.room_end_of(head, len(head.table.runs))
        for left in said.left:
            if self.told_at.get(left.block) is None and left.block in self.blocks.left_end:
                self.note_told(left.block, head.start + place.statement)
        self.untold.clear()
        self.erasable = set(said.named)
        self.log.sequence = said.number + 1
        self.log.logged_bytes += place.frames - place.fence
        self.log.skip_full_page(head)

    def _name_dead(self, cold: bool) -> None:
        """Name dead blocks: those never used in the order of their addresses, then the least worn; a worn one where one
        is taken for cold data."""
        blocks = self.blocks
        while len(blocks.named) < NAMED and (blocks.freed or blocks.unused_count):
            if blocks.unused_count:
                block = (self.used_from + self.used) % len(blocks)
                self.used += 1
            else:
                choose = max if cold else min
                block = choose(blocks.freed, key=lambda one: (blocks.erase_count[one], one))
            blocks.name(block)
            self._forget(block)

    def erase(self, block: int) -> None:
        """Erase a block and count it. Raises FlashError, also when it is not blank then: a worn one has bits that
        stay."""
        self.meters.erases += 1
        self.blocks.note_erase_count(block, min(self.blocks.erase_count[block] + 1, ERASE_COUNT_MAX))
        self.flash.erase(block)
        start = block * self.layout.block_bytes
        if not self.flash.blank(start, self.layout.block_bytes):
            raise FlashError("erase", start)

    def room_before_statement(self, head: Head) -> int:
        """Bytes that frames may take in the head's block, from where it stands, so that a statement still has room on
        the page behind them; below 0: none."""
        layout = self.layout
        statement = layout.statement_room(len(self.untold) + 1, 0) - layout.page_bytes
        last_place = (layout.room_end() - statement) // layout.page_bytes * layout.page_bytes
        return last_place - (head.at - head.start)

    def retire(self, block: int) -> None:
        """Mark a block in which nothing is live as bad; it is never used again. Until its BAD frame is written, the
        next statement says that it holds nothing."""
        self._forget(block)
        self.blocks.retire(block)
        self.ready = None if self.ready == block else self.ready
        self.told_at[block] = None
        self.untold.append(Left(block, 0, 0))

    def _forget(self, block: int) -> None:
        """Drop from RAM what the block held, which counts for nothing any more."""
        self._charge_told(block, -1)
        self.told_at.pop(block, None)
        self.claims.erased(self.bearers_in.pop(block, []))

    def note_told(self, block: int, address: int) -> None:
        """Note where it stands now that a block is bad or was left without a seal."""
        self._charge_told(block, -1)
        self.told_at[block] = address
        self._charge_told(block, +1)

    def _charge_told(self, block: int, sign: int) -> None:
        address = self.told_at.get(block)
        if address is not None:
            length = 0 if self.blocks.is_bad(block) else BASE.size
            self.blocks.charge(address, sign * self.layout.frame_cost(length))


def said_of(head: Head) -> Other:
    """What a statement in another block says of an open one."""
    last = head.base + head.table.next_order - 1 if head.table.runs else 0
    if head.void_from is None:
        return Other(head.block, last=last)
    return Other(head.block, head.void_from - head.start, head.at - head.start, last)
