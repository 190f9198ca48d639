"""DATA frames of one length that follow each other: what they hold without decoding each of them, where their bytes are
not made yet, or were verified before."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import repeat
from operator import and_, eq
from struct import Struct
from typing import NamedTuple
from zlib import crc32

from simfs.store.format.codec import DATA, FRAME_BYTES, HEAD, HEADER, SIZE_MAX, encode_frames
from simfs.store.format.layout import align_up

KEPT_BYTES_MAX = 8 << 20  # of frames that were verified; then all are forgotten
CELLS_MAX = 64 << 10  # that are looked at together
U32_MAX = 0xFFFFFFFF
LEAST = 4  # frames to read, for which it is worth to look at them all together


@dataclass(slots=True)
class EvenPayloads:
    """So many payloads of `each` bytes, which stand in `data` from `begin` on."""

    data: bytes
    begin: int
    each: int
    count: int

    def __call__(self) -> list[bytes]:
        data, each = self.data, self.each
        return [data[at : at + each] for at in range(self.begin, self.begin + self.count * each, each)]


@dataclass(slots=True)
class LateFrames:
    """Makes the bytes of frames that were programmed."""

    file: int
    offset: int
    order: int
    payloads: Callable[[], Sequence[bytes]]
    salt: int
    step: int
    _even: EvenFrames | None = None

    def even(self) -> EvenFrames | None:
        """What they hold, where they are of one length. It is kept, as are their payloads: a file is read often."""
        if self._even is None:
            payloads = self.payloads
            if type(payloads) is not EvenPayloads:
                made = payloads()
                each = len(made[0])
                if list(map(len, made)).count(each) < len(made):
                    self.payloads = lambda: made
                    return None
                self.payloads = payloads = EvenPayloads(b"".join(made), 0, each, len(made))
            pitch = align_up(FRAME_BYTES + payloads.each, self.step)
            self._even = EvenFrames(self.file, self.salt, self.offset, pitch, payloads)
        return self._even

    def __call__(self) -> bytes:
        return encode_frames(self.file, self.offset, self.order, self.payloads, self.salt, self.step)


class EvenFrames(NamedTuple):
    """Sound frames of one file, one behind the other, in one life of their block; `offset` is where they begin in the
    file, `pitch` from where one starts to where the next one does."""

    file: int
    salt: int
    offset: int
    pitch: int
    payloads: EvenPayloads

    def frames_to(self, stop: int) -> int:
        """How many of them reach up to byte `stop` of the file."""
        payloads = self.payloads
        return min(-((self.offset - stop) // payloads.each), payloads.count)


class Verified:
    """Frames that were found sound, by the address of the first one, with the bytes in which they were."""

    def __init__(self, step: int) -> None:
        self._step = step
        self._found: dict[int, tuple[EvenFrames, bytes]] = {}
        self._bytes = 0

    def at(self, address: int, window: memoryview, file: int, salt: int, stop: int) -> EvenFrames | None:
        """The frames of a file in the window, which shows the bytes at this address; None where they are fewer than
        `LEAST`, or bytes up to `stop` are not worth a look at all of them."""
        frames, cells = self._found.get(address) or (None, b"")
        if frames is None or frames.salt != salt or frames.file != file:
            return self._look(address, window, file, salt, stop)
        return frames if cells.startswith(window[: frames.frames_to(stop) * frames.pitch]) else None

    def _look(self, address: int, window: memoryview, file: int, salt: int, stop: int) -> EvenFrames | None:
        if len(window) < LEAST * FRAME_BYTES:
            return None
        _, each, _, offset, _ = HEADER.unpack_from(window)
        if stop - offset < LEAST * each:
            return None
        cells = window[:CELLS_MAX].tobytes()
        frames = frames_in(cells, file, salt, self._step)
        if frames is not None:
            cells = cells[: frames.payloads.count * frames.pitch]
            self._bytes += len(cells) - len(self._found.get(address, (None, b""))[1])
            if self._bytes > KEPT_BYTES_MAX:
                self._found.clear()
                self._bytes = len(cells)
            self._found[address] = frames, cells
        return frames


def frames_in(cells: bytes, file: int, salt: int, step: int) -> EvenFrames | None:
    """The sound frames at the start of these bytes, as far as they follow each other and are of one length; None where
    they are fewer than `LEAST`."""
    first, each, of_file, offset, _ = HEADER.unpack_from(cells)
    if first & 0xFF != DATA or of_file != file or not each:
        return None
    pitch = align_up(FRAME_BYTES + each, step)
    most = min(len(cells) // pitch, (SIZE_MAX - offset) // each, (U32_MAX - first) >> 8)
    if most < LEAST:
        return None
    heads, checks, payloads, sums = zip(*_frames(each, pitch).iter_unpack(cells[: most * pitch]), strict=True)
    offsets = range(offset, offset + most * each, each)
    expected = map(HEAD.pack, range(first, first + (most << 8), 1 << 8), repeat(each), repeat(file), offsets)
    salted = list(map(crc32, heads, repeat(salt)))
    made = zip(expected, map(and_, salted, repeat(0xFFFF)), map(crc32, payloads, salted), strict=True)
    count = [*map(eq, zip(heads, checks, sums, strict=True), made), False].index(False)
    if count < LEAST:
        return None
    return EvenFrames(file, salt, offset, pitch, EvenPayloads(b"".join(payloads[:count]), 0, each, count))


def late_frames(make: object, file: int, salt: int) -> EvenFrames | None:
    """The frames of a file whose bytes are made by this, where they are of one length."""
    return make.even() if type(make) is LateFrames and make.file == file and make.salt == salt else None


@cache
def _frames(each: int, pitch: int) -> Struct:
    """A frame as header, its check, a payload of this length and the CRC-32, up to where the next one starts."""
    return Struct(f"<14sH{each}sI{pitch - FRAME_BYTES - each}x")
