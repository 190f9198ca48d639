"""Reading frames back: by their address, and the bytes of a span by walking its run."""

from __future__ import annotations

from zlib import crc32

from simfs.flash import NorFlash
from simfs.store.format.codec import (
    CHECKED_BYTES,
    DATA,
    FRAME_BYTES,
    HEADER,
    HEADER_BYTES,
    HOLE,
    U32,
    Frame,
    decode_header,
    payload_is_sound,
)
from simfs.store.format.errors import CorruptStore
from simfs.store.format.layout import Layout, align_up
from simfs.store.format.runs import Run
from simfs.store.log.even_frames import EvenFrames, Verified, late_frames
from simfs.store.tables.blocks import BlockTable

COPIED_BYTES_MAX = 8192  # of a block that is read out as a whole first, since slices of bytes take less time


class Reader:
    """Reads verified frames. Every byte that it returns has passed its frame's CRC-32."""

    def __init__(self, flash: NorFlash, layout: Layout, blocks: BlockTable) -> None:
        self._flash = flash
        self._layout = layout
        self._blocks = blocks
        self._verified = Verified(layout.step)

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

    def frame(self, address: int, length: int = 0) -> tuple[Frame, bytes]:
        """Header and payload of the frame at an address: one read where its payload has up to `length` bytes, else
        two. CorruptStore when it is not sound."""
        block, within = divmod(address, self._layout.block_bytes)
        size = min(FRAME_BYTES + length, self._layout.block_bytes - within) if length else HEADER_BYTES
        raw, salt = self._flash.read(address, size), self._blocks.salt[block]
        frame = decode_header(raw, address, salt)
        if frame is None or within + FRAME_BYTES + frame.length > self._layout.block_bytes:
            raise damaged(address, self._layout)
        if FRAME_BYTES + frame.length > size:
            return frame, self.payload(frame)
        if not payload_is_sound(raw, frame.length, salt):
            raise damaged(address, self._layout)
        return frame, raw[HEADER_BYTES : HEADER_BYTES + frame.length]

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
        read, step, block_bytes = self._flash.read, self._layout.step, self._layout.block_bytes
        block = place // block_bytes
        end, salt = (block + 1) * block_bytes, self._blocks.salt[block]
        parts: list[bytes] = []
        address = place
        while start < stop:
            found, after = self._data_in_a_row(file, address, end, salt, start, stop)
            if after != address:
                address = after
                for part in found:
                    parts.append(part)
                    start += len(part)
                continue
            fits = address + FRAME_BYTES <= end
            frame = decode_header(read(address, HEADER_BYTES), address, salt) if fits else None
            if frame is None or address + FRAME_BYTES + frame.length > end:
                address = self._next_page(address)
                continue
            kind, length, of_file, offset, _, _ = frame
            if of_file == file and kind in (DATA, HOLE):
                begin = offset if kind == DATA else offset - U32.size
                if offset <= start < begin + length:
                    part = self.payload(frame)[start - begin : stop - begin]
                    parts.append(part)
                    start += len(part)
            address += FRAME_BYTES + length
            address += -address % step
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def _data_in_a_row(
        self, file: int, address: int, end: int, salt: int, start: int, stop: int
    ) -> tuple[list[bytes], int]:
        """The first part of what is left of a span, in less time: as long as sound DATA frames of the file come in a
        row. And the address of the frame with which it goes on. Counts the same reads."""
        flash, step = self._flash, self._layout.step
        even = late_frames(flash.late_at(address), file, salt)
        if even is not None and even.offset <= start:
            return self._even(even, address, start, stop)
        window = flash.window(address, end)
        if window is None:
            return [], address
        even = self._verified.at(address, window, file, salt, stop)
        if even is not None and even.offset <= start:
            return self._even(even, address, start, stop)
        cells: bytes | memoryview = window.tobytes() if len(window) <= COPIED_BYTES_MAX else window
        header, sum_of, size = HEADER.unpack_from, U32.unpack_from, len(window)
        parts: list[bytes] = []
        frames = payload_bytes = at = 0
        while start < stop and at + FRAME_BYTES <= size:
            first, length, of_file, offset, check = header(cells, at)
            begins, ends = at + HEADER_BYTES, at + HEADER_BYTES + length
            salted = crc32(cells[at : at + CHECKED_BYTES], salt)
            if first & 0xFF != DATA or of_file != file or salted & 0xFFFF != check or ends + U32.size > size:
                break
            if start < offset + length:
                payload = bytes(cells[begins:ends])
                if offset > start or crc32(payload, salted) != sum_of(cells, ends)[0]:
                    break
                parts.append(payload[start - offset : stop - offset])
                start += len(parts[-1])
                payload_bytes += length
            frames += 1
            at = ends + U32.size
            if step > 1:
                at += -(address + at) % step
        flash.reads += frames + len(parts)
        flash.read_bytes += frames * HEADER_BYTES + len(parts) * FRAME_BYTES + payload_bytes
        return parts, address + at

    def _even(self, even: EvenFrames, address: int, start: int, stop: int) -> tuple[list[bytes], int]:
        """The same of frames of one length from this address on."""
        _, _, offset, pitch, payloads = even
        each, frames, flash = payloads.each, payloads.count, self._flash
        end = offset + each * frames
        if stop < end:
            end, frames = stop, -((offset - stop) // each)
        with_bytes = frames - (start - offset) // each if start < end else 0
        flash.reads += frames + with_bytes
        flash.read_bytes += frames * HEADER_BYTES + with_bytes * (FRAME_BYTES + each)
        begin = payloads.begin - offset
        return [payloads.data[begin + start : begin + end]] if with_bytes else [], address + frames * pitch

    def _next_page(self, address: int) -> int:
        """Where frames go on when the log left the rest of a page blank; CorruptStore when it did not. One flipped bit
        there is no header, which has far more zeros."""
        layout = self._layout
        page = layout.page_bytes
        following = align_up(address, page)
        if address % page == 0 or following % layout.block_bytes == 0:
            raise damaged(address, layout)
        raw = self._flash.read(address, min(HEADER_BYTES, following - address))
        if 8 * len(raw) - int.from_bytes(raw).bit_count() > 1:
            raise damaged(address, layout)
        return following


def damaged(address: int, layout: Layout) -> CorruptStore:
    """The error that names a damaged frame's place."""
    block, within = divmod(address, layout.block_bytes)
    return CorruptStore(f"damaged frame in block {block} at byte {within} (flash address {address:#x})", address)
