"""What a mount reads of each block by itself, before it looks at how the blocks belong together."""

from __future__ import annotations

from simfs.flash import NorFlash
from simfs.store.format.codec import CLAIMS, FRAME_BYTES, HEADER_BYTES, STATEMENT, Frame, Seal
from simfs.store.format.layout import Layout
from simfs.store.format.runs import Entry, Run, kind_of, order_of, place_of
from simfs.store.format.statement import Statement, decode_statement, first_statement_places
from simfs.store.log.block_scan import Scan, read_listing, scan
from simfs.store.log.state import StoreState

FIRST_BYTES = 256  # holds the statement at the start of nearly every block

Content = tuple[Seal | None, list[Entry], Scan | None]
"""What stands in a block: a sound seal, if any, and the runs that it lists; everything else where no seal lists runs.
Nobody changes any of it."""

ClaimsFound = list[tuple[int, Frame, bytes]]
"""The frames of a block that make claims on names, each with its order and payload."""


class Look:
    """Reads blocks. Everything it finds follows from the bytes of one block and the store's settings, so a subclass may
    remember it."""

    def firsts(self, flash: NorFlash) -> list[Statement | None]:
        """The statement at the start of each block. One read of 256 bytes each."""
        return [read_first(flash, block) for block in range(flash.geometry.block_count)]

    def content(self, flash: NorFlash, layout: Layout, block: int) -> Content:
        """What stands in a block. Two or three reads if its runs are listed, else one more, of the whole block."""
        seal, entries = read_listing(flash, layout, block) or (None, None)
        if seal is not None and entries is not None:
            return seal, entries, None
        return seal, [], self.scan(flash, layout, block, None if seal is None else seal.base)

    def scan(self, flash: NorFlash, layout: Layout, block: int, base: int | None) -> Scan:
        """Everything in a block, whatever a seal says. One read of the block."""
        return scan(flash.read(block * layout.block_bytes, layout.block_bytes), block, layout, base)

    def claims(self, state: StoreState, start: int, entries: list[Entry]) -> ClaimsFound:
        """The claims in the block that begins at `start` and has these runs. Two reads for each claim."""
        frame = state.reader.frame
        return [(order_of(entry), *frame(start + place_of(entry))) for entry in entries if kind_of(entry) in CLAIMS]

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

    def firsts(self, flash: NorFlash) -> list[Statement | None]:
        return self._look.firsts(flash)

    def content(self, flash: NorFlash, layout: Layout, block: int) -> Content:
        return self._look.content(flash, layout, block)

    def scan(self, flash: NorFlash, layout: Layout, block: int, base: int | None) -> Scan:
        return self._look.scan(flash, layout, block, base)

    def claims(self, state: StoreState, start: int, entries: list[Entry]) -> ClaimsFound:
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


def read_first(flash: NorFlash, block: int) -> Statement | None:
    """The statement at the start of a block, or None."""
    size = flash.geometry.block_bytes
    raw = flash.read(block * size, min(FIRST_BYTES, size))
    for address in first_statement_places(flash.geometry.program_unit_bytes):
        found = decode_statement(raw, block, 0, address)
        if found is not None:
            return found
        if len(raw) < size and raw[address] == STATEMENT and len(raw) > address + HEADER_BYTES:
            length = int.from_bytes(raw[address + 4 : address + 6], "little")
            if address + FRAME_BYTES + length > len(raw):
                return decode_statement(flash.read(block * size, size), block, 0, address)
    return None
