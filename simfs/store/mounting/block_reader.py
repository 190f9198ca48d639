"""What a mount reads of each block by itself, before it looks at how the blocks belong together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from simfs.flash import NorFlash
from simfs.store.format.codec import CLAIMS, FRAME_BYTES, STATEMENT, Frame, Seal, statement_salts
from simfs.store.format.layout import Layout
from simfs.store.format.runs import LENGTH_SHIFT, Entry, Run, kind_of, order_of, place_of
from simfs.store.format.statement import (
    Life,
    Statement,
    decode_lives,
    decode_statement,
    first_statement_bytes,
    first_statement_places,
    statement_bytes,
)
from simfs.store.log.block_scan import Scan, scan
from simfs.store.log.seal import Listing, read_listings
from simfs.store.log.state import StoreState


class Unlisted(NamedTuple):
    """Everything in a block whose seal, if there is a sound one, lists no runs."""

    seal: Seal | None
    scan: Scan


Content = Listing | Unlisted
"""What stands in a block. Nobody changes any of it."""

ClaimsFound = list[tuple[int, Frame, bytes]]
"""The frames of a block that make claims on names, each with its order and payload."""


class Look:
    """Reads blocks. Everything it finds follows from the bytes of one block and the store's settings, so a subclass may
    remember it."""

    def lives(self, flash: NorFlash) -> list[Life | None]:
        """What the statement at the start of each block says of it. One read each, of little more than a statement."""
        return read_lives(flash, range(flash.geometry.block_count))

    def first(self, flash: NorFlash, block: int) -> Statement | None:
        """The whole statement at the start of a block. One read, two if it is a long one."""
        return read_first(flash, block)

    def contents(self, flash: NorFlash, layout: Layout, blocks: Sequence[int]) -> list[Content]:
        """What stands in each of these blocks. One or two reads each if its runs are listed, else one more, of the
        whole block."""
        listings = read_listings(flash, layout, blocks)
        return [
            listing
            if listing is not None and listing.entries is not None
            else self._unlisted(flash, layout, block, None if listing is None else listing.seal)
            for block, listing in zip(blocks, listings, strict=True)
        ]

    def _unlisted(self, flash: NorFlash, layout: Layout, block: int, seal: Seal | None) -> Unlisted:
        return Unlisted(seal, self.scan(flash, layout, block, None if seal is None else seal.base))

    def scan(self, flash: NorFlash, layout: Layout, block: int, base: int | None) -> Scan:
        """Everything in a block, whatever a seal says. One read of the block."""
        return scan(flash.read(block * layout.block_bytes, layout.block_bytes), block, layout, base)

    def claims(self, state: StoreState, start: int, entries: Sequence[Entry]) -> ClaimsFound:
        """The claims in the block that begins at `start` and has these runs. One read for each claim."""
        frame = state.reader.frame
        return [
            (order_of(entry), *frame(start + place_of(entry), entry[0] >> LENGTH_SHIFT))
            for entry in entries
            if kind_of(entry) in CLAIMS
        ]

    def zeros_from(self, state: StoreState, run: Run) -> int:
        """Where the zeros of a HOLE begin. Two reads."""
        return state.reader.zeros_from(run)


class Remembering(Look):
    """Reads through another look, and no claim or hole twice. For one mount, which erases none of their blocks but to
    write the same there again."""

    def __init__(self, look: Look) -> None:
        self._look = look
        self._claims: dict[tuple[int, int], tuple[int, Frame, bytes]] = {}  # by address and salt
        self._zeros: dict[tuple[int, int], int] = {}

    def lives(self, flash: NorFlash) -> list[Life | None]:
        return self._look.lives(flash)

    def first(self, flash: NorFlash, block: int) -> Statement | None:
        return self._look.first(flash, block)

    def contents(self, flash: NorFlash, layout: Layout, blocks: Sequence[int]) -> list[Content]:
        return self._look.contents(flash, layout, blocks)

    def scan(self, flash: NorFlash, layout: Layout, block: int, base: int | None) -> Scan:
        return self._look.scan(flash, layout, block, base)

    def claims(self, state: StoreState, start: int, entries: Sequence[Entry]) -> ClaimsFound:
        salt = state.blocks.salt[state.blocks.of(start)]
        keys = [(start + place_of(entry), salt) for entry in entries if kind_of(entry) in CLAIMS]
        new = [entry for entry in entries if (start + place_of(entry), salt) not in self._claims]
        for found in self._look.claims(state, start, new):
            self._claims[found[1].address, salt] = found
        return [self._claims[key] for key in keys]

    def zeros_from(self, state: StoreState, run: Run) -> int:
        key = run.address, state.blocks.salt[state.blocks.of(run.address)]
        if key not in self._zeros:
            self._zeros[key] = self._look.zeros_from(state, run)
        return self._zeros[key]


PLAINLY = Look()


def read_lives(flash: NorFlash, blocks: range) -> list[Life | None]:
    """What the statements at the start of these blocks say of them. One read each, of little more than a statement; one
    more for each that is longer."""
    geometry = flash.geometry
    size, unit = geometry.block_bytes, geometry.program_unit_bytes
    length, least = min(first_statement_bytes(unit), size), statement_bytes(1, 0, 0)
    places = [at for at in first_statement_places(unit) if at + least <= size]
    starts, salts = range(blocks.start * size, blocks.stop * size, size), statement_salts(blocks)
    raw = flash.read_joined(starts, length)
    found = decode_lives(raw, length, places[0], salts) if places else list[Life | None]([None] * len(blocks))
    for at in [at for at, life in enumerate(found) if life is None]:
        found[at] = _unusual_life(flash, raw[at * length : (at + 1) * length], starts[at], places, salts[at])
    return found


def _unusual_life(flash: NorFlash, raw: bytes, start: int, places: list[int], salt: int) -> Life | None:
    """The same of a statement of another length than most, which may be longer than these bytes of its block, or one
    that stands elsewhere."""
    for address in places:
        end = address + FRAME_BYTES + int.from_bytes(raw[address + 4 : address + 6], "little")
        if raw[address] == STATEMENT and end <= flash.geometry.block_bytes:
            whole = raw if end <= len(raw) else flash.read(start, end)
            found = decode_lives(whole, len(whole), address, [salt])[0]
            if found is not None:
                return found
    return None


def read_first(flash: NorFlash, block: int) -> Statement | None:
    """The whole statement at the start of a block, or None. One read; one more, of the block, if it is a long one."""
    size, unit = flash.geometry.block_bytes, flash.geometry.program_unit_bytes
    for length in (min(first_statement_bytes(unit), size), size):
        raw = flash.read(block * size, length)
        for address in first_statement_places(unit):
            found = decode_statement(raw, block, 0, address)
            if found is not None:
                return found
    return None
