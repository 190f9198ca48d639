"""What damage a mounted store has, and whom it hurts: what the mount has found, and the frames that can't be read."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from simfs.store.format.codec import FRAME_BYTES, HOLE, NUMBER_MAX, U32
from simfs.store.format.errors import CorruptStore
from simfs.store.format.layout import align_up
from simfs.store.log.state import Damage, Finding, StoreState
from simfs.store.tables.spans import FileNode
from simfs.store.volume import Volume

Stretch = tuple[int, int]


class Lost(NamedTuple):
    """A part of a file that can't be read, and the frame that is to blame: its address, None where no frame is left."""

    begin: int
    end: int
    frame: int | None


def damages(volume: Volume) -> tuple[Damage, ...]:
    """What should be on the flash and is not, and whom that hurts. Reads every frame of every file, and those before
    one that can't be read some ten times more."""
    state = volume.state
    caused = any(not found.names and found.files != frozenset() for found in state.damages)
    told = [_told(state, found, caused) for found in state.damages]
    hurt: dict[int, set[str]] = {}
    for node in state.files.values():
        for lost in _unreadable(volume, node):
            if lost.frame is not None:
                hurt.setdefault(lost.frame, set()).add(_name_of(node))
    frames = [
        Damage(address, _end_of(state, address), "a frame that can't be read", tuple(sorted(hurt[address])))
        for address in sorted(hurt)
    ]
    return (*told, *frames)


def _told(state: StoreState, found: Finding, caused: bool) -> Damage:
    """What the mount has found. Where it names a file, bytes of it are missing, which another damage has `caused`, if
    there is one. Any file may have had frames in bytes that can't be read, unless all of it is newer."""
    maybe = (
        set()
        if found.names and caused
        else {_name_of(node) for node in state.files.values() if _may_hurt(state, found, node)}
    )
    return Damage(
        found.begin, found.end, found.what, found.names, tuple(sorted(maybe - set(found.names))), found.certain
    )


def _may_hurt(state: StoreState, found: Finding, node: FileNode) -> bool:
    """Whether the file may be another one than it was. Reads a header for each of its spans at most."""
    if found.files is not None:
        return node.number in found.files
    places = (node.name_place, *(abs(place) for place in node.places))
    return found.before >= NUMBER_MAX or any(_number_at(state, place) < found.before for place in places)


def _number_at(state: StoreState, address: int) -> int:
    """The sequence number of the frame there; 0 where it can't be read."""
    frame = state.reader.header(address) if address else None
    return 0 if frame is None else state.blocks.base[state.blocks.of(address)] + frame.order


def _end_of(state: StoreState, address: int) -> int:
    """Where a frame ends that can't be read; where its header can't be read either, it is taken to fill its page."""
    frame, size = state.reader.header(address), state.layout.block_bytes
    page_end = align_up(address + 1, state.layout.page_bytes)
    end = page_end if frame is None else address + FRAME_BYTES + frame.length
    return min(end, (address // size + 1) * size)


def _name_of(node: FileNode) -> str:
    assert node.name is not None
    return node.name.decode("utf-8", "surrogateescape")


def unreadable(volume: Volume, node: FileNode) -> tuple[Stretch, ...]:
    """The ranges (from, to) of the file's bytes whose reading is a CorruptStore, joined. Reads every frame of the file
    once, and those before one that can't be read some ten times more."""
    joined: list[Stretch] = []
    for lost in _unreadable(volume, node):
        begin = joined.pop()[0] if joined and joined[-1][1] == lost.begin else lost.begin
        joined.append((begin, lost.end))
    return tuple(joined)


def _unreadable(volume: Volume, node: FileNode) -> Iterator[Lost]:
    for start, end, place in volume.state.index.pieces(node, 0, node.size):
        if place > 0:
            yield from _lost(volume.state, node.number, place, start, end)
        elif not place:
            yield Lost(start, end, None)


def _lost(state: StoreState, file: int, place: int, start: int, end: int) -> Iterator[Lost]:
    """What can't be read of a piece. How far it can be read is found by halving. A frame whose payload is not sound
    takes its own bytes along, and one whose header is not sound all that come behind it."""

    def fault(stop: int) -> tuple[bool, int | None]:
        """Whether bytes `start` to `stop` can't be read, and the frame that is to blame."""
        try:
            return len(state.reader.span(file, place, start, stop)) < stop - start, None
        except CorruptStore as error:
            return True, error.address

    while start < end:
        sound, (is_lost, frame), bad = start, fault(end), end
        if not is_lost:
            return
        while bad - sound > 1:
            middle = (sound + bad) // 2
            found = fault(middle)
            if found[0]:
                bad, frame = middle, found[1]
            else:
                sound = middle
        start = min(max(bad, _end_in_file(state, frame, end)), end)
        yield Lost(sound, start, frame)


def _end_in_file(state: StoreState, address: int | None, end: int) -> int:
    """Up to which byte of its file a frame reaches; `end` where that can't be read."""
    frame = None if address is None else state.reader.header(address)
    if frame is None:
        return end
    return frame.offset + frame.length - (U32.size if frame.kind == HOLE else 0)
