"""The files of an image, put together from the frames that are left, whether it mounts or not: which bytes of each are
there, and which are lost. Where bytes are known to be lost, older ones never take their place."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from typing import NamedTuple

from simfs.bridges.images.salvage import BlockLeft, Left
from simfs.files.names import NameRule
from simfs.store.format.codec import CLAIMS, SIZE_MAX, U32, Kind


class Piece(NamedTuple):
    """Bytes `start` to `end` of a file: as they are on the flash, zeros (`data` is None), or lost."""

    start: int
    end: int
    data: bytes | None
    lost: bool = False


@dataclass(slots=True)
class FileLeft:
    """A file by its number; without a name if no frame is left that gives it one."""

    number: int
    name: str | None = None
    key: bytes = b""
    size_least: int = 0  # its newest claim says that it has so many bytes
    pieces: list[Piece] = field(default_factory=list)

    @property
    def size_bytes(self) -> int:
        return max(self.size_least, self.pieces[-1].end if self.pieces else 0)

    def lost(self) -> list[tuple[int, int]]:
        """(from, to) of all bytes that are not there."""
        found, at = [], 0
        for piece in self.pieces:
            if piece.start > at:
                found.append((at, piece.start))
            if piece.lost:
                found.append((piece.start, piece.end))
            at = piece.end
        if at < self.size_bytes:
            found.append((at, self.size_bytes))
        return _joined(found)

    def put(self, start: int, end: int, data: bytes | None, *, lost: bool = False) -> None:
        """Put newer bytes in the place of older ones."""
        if start < end:
            self._take_out(start, end)
            at = bisect_left(self.pieces, start, key=lambda piece: piece.start)
            self.pieces.insert(at, Piece(start, end, data, lost))

    def cut(self, size_bytes: int) -> None:
        """Drop everything beyond."""
        self._take_out(size_bytes, SIZE_MAX + 1)
        self.size_least = size_bytes

    def contents(self) -> bytes:
        """All bytes, zeros where they are lost."""
        whole = bytearray(self.size_bytes)
        for piece in self.pieces:
            if piece.data is not None:
                whole[piece.start : piece.end] = piece.data
        return bytes(whole)

    def _take_out(self, start: int, end: int) -> None:
        first = bisect_right(self.pieces, start, key=lambda piece: piece.end)
        last = bisect_left(self.pieces, end, key=lambda piece: piece.start)
        kept = [part for piece in self.pieces[first:last] for part in _outside(piece, start, end)]
        self.pieces[first:last] = kept


def _outside(piece: Piece, start: int, end: int) -> list[Piece]:
    """The parts of a piece that lie before `start` and from `end` on."""
    parts = []
    for begin, stop in ((piece.start, min(start, piece.end)), (max(end, piece.start), piece.end)):
        if begin < stop:
            data = None if piece.data is None else piece.data[begin - piece.start : stop - piece.start]
            parts.append(Piece(begin, stop, data, piece.lost))
    return parts


def _joined(stretches: list[tuple[int, int]]) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for start, end in stretches:
        if joined and joined[-1][1] == start:
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((start, end))
    return joined


@dataclass(frozen=True, slots=True)
class Files:
    """`named` by name. `nameless`: files whose name is lost, or that were removed before; no one can tell which.
    `claims_lost` counts lost frames that named, renamed or removed a file: some file may be gone, or have another
    name."""

    named: list[FileLeft]
    nameless: list[FileLeft]
    claims_lost: int


def replay_files(blocks: list[BlockLeft], fold_case: bool) -> Files:
    """Names and contents from all frames that count, in the order of their sequence numbers."""
    frames = [frame for block in blocks for frame in (*block.frames, *block.lost)]
    files: dict[int, FileLeft] = {}
    bearers: dict[bytes, int] = {}  # by key: who bears the name
    gone: set[int] = set()  # a sound frame says so
    for frame in sorted(frames, key=lambda frame: frame[:2]):
        if frame.kind in (Kind.MARK, Kind.BAD):
            continue
        file = files.setdefault(frame.file, FileLeft(frame.file))
        if frame.kind in (Kind.DATA, Kind.HOLE):
            _put(file, frame)
        elif frame.payload is not None:
            _claim(file, frame, bearers, gone, fold_case)
    live = set(bearers.values())
    named = [file for number, file in files.items() if number in live]
    nameless = [file for number, file in files.items() if number not in live | gone and file.pieces]
    claims_lost = sum(frame.kind in CLAIMS and frame.payload is None for frame in frames)
    return Files(sorted(named, key=lambda file: file.name or ""), nameless, claims_lost)


def _put(file: FileLeft, frame: Left) -> None:
    end = frame.offset + frame.length
    if frame.payload is None:
        start = min(frame.offset, file.size_bytes) if frame.kind == Kind.HOLE else frame.offset
        file.put(start, end, None, lost=True)
    elif frame.kind == Kind.DATA:
        file.put(frame.offset, end, frame.payload)
    else:
        file.put(min(int(U32.unpack_from(frame.payload)[0]), frame.offset), frame.offset, None)
        file.put(frame.offset, end, frame.payload[U32.size :])


def _claim(file: FileLeft, frame: Left, bearers: dict[bytes, int], gone: set[int], fold_case: bool) -> None:
    assert frame.payload is not None
    names = frame.payload.split(b"\0")
    keys = [name.lower() if fold_case else name for name in names]
    for key in keys:
        if key in bearers:
            gone.add(bearers.pop(key))
    if frame.kind == Kind.REMOVE:
        gone.add(file.number)
        return
    if bearers.get(file.key) == file.number:
        del bearers[file.key]
    bearers[keys[0]] = file.number
    gone.discard(file.number)
    file.key, file.name = keys[0], NameRule.decode(names[0])
    file.cut(frame.offset)
