"""Reading frames back: by their address, and the bytes of a span by walking its run."""

from __future__ import annotations

from simfs.flash import NorFlash
from simfs.store.format.codec import FRAME_BYTES, HEADER_BYTES, U32, Frame, Kind, decode_header, payload_is_sound
from simfs.store.format.errors import CorruptStore
from simfs.store.format.layout import Layout, align_up
from simfs.store.format.runs import Run
from simfs.store.tables.blocks import BlockTable


class Reader:
    """Reads verified frames. Every byte that it returns has passed its frame's CRC-32."""

    def __init__(self, flash: NorFlash, layout: Layout, blocks: BlockTable) -> None:
        self._flash = flash
        self._layout = layout
        self._blocks = blocks

    def header(self, address: int) -> Frame | None:
        """The header at an address, or None: one read of 16 bytes."""
        salt = self._blocks.salt[address // self._layout.block_bytes]
        return decode_header(self._flash.read(address, HEADER_BYTES), address, salt)

    def payload(self, frame: Frame) -> bytes:
        """The payload of a frame: one read of the whole frame. CorruptStore when its CRC-32 does not hold."""
        raw = self._flash.read(frame.address, FRAME_BYTES + frame.length)
        if not payload_is_sound(raw, frame.length, self._blocks.salt[frame.address // self._layout.block_bytes]):
            raise damaged(frame.address, self._layout)
        return raw[HEADER_BYTES : HEADER_BYTES + frame.length]

    def frame(self, address: int) -> tuple[Frame, bytes]:
        """Header and payload of the frame at an address: two reads. CorruptStore when it is not sound."""
        frame = self.header(address)
        if frame is None or address % self._layout.block_bytes + FRAME_BYTES + frame.length > self._layout.block_bytes:
            raise damaged(address, self._layout)
        return frame, self.payload(frame)

    def zeros_from(self, run: Run) -> int:
        """Where the zeros of a HOLE begin, which its payload says: two reads. CorruptStore when it is not sound."""
        payload = self.frame(run.address)[1]
        start = int(U32.unpack_from(payload)[0]) if len(payload) >= U32.size else run.offset + 1
        if start > run.offset:
            raise damaged(run.address, self._layout)
        return start

    def span(self, file: int, place: int, start: int, stop: int) -> bytes:
        """Bytes `start` to `stop` of a file, all in the run that begins at `place`. Reads the headers of the frames
        on the way, and the frames that hold the bytes. CorruptStore when one of them is damaged."""
        if place < 0:
            return bytes(stop - start)
        if not place:
            raise CorruptStore(f"bytes {start} to {stop} of file {file} are missing")
        layout = self._layout
        end = (place // layout.block_bytes + 1) * layout.block_bytes
        address = place
        parts = []
        while start < stop:
            frame = self.header(address) if address + FRAME_BYTES <= end else None
            if frame is None or address + FRAME_BYTES + frame.length > end:
                address = self._next_page(address)
                continue
            if frame.file == file and frame.kind in (Kind.DATA, Kind.HOLE):
                prefix = 0 if frame.kind == Kind.DATA else U32.size
                begin = frame.offset - prefix
                if frame.offset <= start < begin + frame.length:
                    part = self.payload(frame)[start - begin : stop - begin]
                    parts.append(part)
                    start += len(part)
            address = align_up(address + FRAME_BYTES + frame.length, layout.step)
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def _next_page(self, address: int) -> int:
        """Where frames go on when the log left the rest of a page blank; CorruptStore when it did not."""
        layout = self._layout
        page = layout.page_bytes
        following = align_up(address, page)
        blank = address % page and self._flash.blank(address, min(HEADER_BYTES, following - address))
        if not blank or following % layout.block_bytes == 0:
            raise damaged(address, layout)
        return following


def damaged(address: int, layout: Layout) -> CorruptStore:
    """The error that names a damaged frame's place."""
    block, within = divmod(address, layout.block_bytes)
    return CorruptStore(f"damaged frame in block {block} at byte {within} (flash address {address:#x})", address)
