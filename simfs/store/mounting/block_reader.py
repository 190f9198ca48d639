"""What a mount reads of a block, before it knows what the blocks are to each other."""

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
    """Reads blocks. All that it finds follows from the bytes of the one block and the store's settings, so that a
    subclass may remember it."""

    def headers(self, flash: NorFlash) -> list[Header]:
        """What each block says of itself. One read of 128 bytes each."""
        block_bytes = flash.geometry.block_bytes
        return [read_header(flash, block, block_bytes) for block in range(flash.geometry.block_count)]

    def content(self, state: StoreState, block: int) -> Content:
        """Of a block whose header is known. Two reads or three where runs are listed, else one more of all that
        may hold frames."""
        seal, entries = read_listing(state, block) or (None, None)
        if seal is not None and entries is not None:
            return seal, entries, None
        return seal, [], read_frames(state, block, seal.end if seal else state.layout.block_bytes)

    def claims(self, state: StoreState, start: int, entries: list[Entry]) -> ClaimsFound:
        """Of the block that begins at `start` and has these runs. Two reads a claim."""
        frame = state.reader.frame
        return [
            (order, *frame(start + (place & PLACE_MASK)))
            for place, order, _, _, _ in entries
            if place >> PLACE_BITS in CLAIMS
        ]


PLAINLY = Look()
