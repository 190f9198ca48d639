"""What a mount reads of each block by itself, before it looks at how the blocks belong together."""

from __future__ import annotations

from simfs.flash import NorFlash
from simfs.store.format.codec import CLAIMS, Frame, Seal
from simfs.store.format.headers import Header, read_header
from simfs.store.format.runs import PLACE_BITS, PLACE_MASK, Entry
from simfs.store.log.block_scan import Frames, read_frames, read_listing
from simfs.store.log.state import StoreState

Content = tuple[Seal | None, list[Entry], Frames | None]
"""What stands behind a block's records: a sound seal, if any, and the runs that it lists; the frames where no seal
lists runs. Nobody changes any of it."""

ClaimsFound = list[tuple[int, Frame, bytes]]
"""The frames of a block that make claims on names, each with its order and payload."""


class Look:
    """Reads blocks. Everything it finds follows from the bytes of one block and the store's settings, so a subclass may
    remember it."""

    def headers(self, flash: NorFlash) -> list[Header]:
        """The header of each block. One read of 128 bytes each."""
        block_bytes = flash.geometry.block_bytes
        return [read_header(flash, block, block_bytes) for block in range(flash.geometry.block_count)]

    def content(self, state: StoreState, block: int) -> Content:
        """The content of a block whose header is known. Two or three reads if its runs are listed, else one more, of
        everything that may hold frames."""
        seal, entries = read_listing(state, block) or (None, None)
        if seal is not None and entries is not None:
            return seal, entries, None
        return seal, [], read_frames(state, block, seal.end if seal else state.layout.block_bytes)

    def claims(self, state: StoreState, start: int, entries: list[Entry]) -> ClaimsFound:
        """The claims in the block that begins at `start` and has these runs. Two reads for each claim."""
        frame = state.reader.frame
        return [
            (order, *frame(start + (place & PLACE_MASK)))
            for place, order, _, _, _ in entries
            if place >> PLACE_BITS in CLAIMS
        ]


PLAINLY = Look()
