"""What each page of an erase block holds, worked out from the cells and from what the store knows of its files."""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum

from simfs.store.format.codec import FRAME_BYTES, Frame, Kind
from simfs.store.log.block_scan import scan
from simfs.store.tables.blocks import State
from simfs.store.volume import Volume


class PageState(StrEnum):
    """What is in a page. What holds anything live counts as live."""

    BLANK = "blank"
    LIVE = "live"
    DEAD = "dead"
    RECORDS = "records"  # of the log itself: statements, marks, seals


def page_states(volume: Volume, block: int) -> list[PageState]:
    """The pages of a block, in order. For looking at a store: it costs no read of the flash; about 10 us a frame."""
    state = volume.state
    layout, start = state.layout, block * state.layout.block_bytes
    raw = _cells(volume, start, layout.block_bytes)
    pages = range(0, layout.block_bytes, layout.page_bytes)
    found = [PageState.RECORDS if raw[at : at + layout.page_bytes].strip(b"\xff") else PageState.BLANK for at in pages]
    block_state = state.blocks.state[block]
    if block_state in (State.UNUSED, State.FREED, State.READY, State.BAD):
        return [PageState.BLANK if one is PageState.BLANK else PageState.DEAD for one in found]
    for frame in scan(raw, block, layout, state.blocks.base[block]).counted():
        end = frame.address + FRAME_BYTES + frame.length - 1
        holds = PageState.LIVE if _is_live(volume, start, frame) else PageState.DEAD
        for page in range(frame.address // layout.page_bytes, end // layout.page_bytes + 1):
            if found[page] is not PageState.LIVE:
                found[page] = holds
    return found


def _cells(volume: Volume, start: int, length: int) -> bytes:
    """The cells as they are, without a read that would be counted."""
    flash = volume.state.flash
    window = flash.window(start, start + length)
    if window is None or len(window) < length:
        return flash.image()[start : start + length]
    return bytes(window)


def _is_live(volume: Volume, start: int, frame: Frame) -> bool:
    """Whether the newest state of the files needs the frame."""
    state, address = volume.state, start + frame.address
    if frame.kind in (Kind.NAME, Kind.RENAME, Kind.REMOVE):
        node = state.nodes.get(frame.file)
        tombs = (place for place, _ in state.claims.tombs.values())
        return (node is not None and node.name_place == address) or address in tombs
    if frame.kind in (Kind.DATA, Kind.HOLE):
        return any(start <= abs(place) <= address for place in _places(volume, frame))
    return any(place == address for place in state.segments.told_at.values())


def _places(volume: Volume, frame: Frame) -> Iterator[int]:
    """Where the newest bytes of the frame's stretch of its file stand."""
    node = volume.state.nodes.get(frame.file)
    if node is None:
        return
    if frame.kind == Kind.HOLE:
        yield from (place for place in node.places if place < 0)
        return
    for _, _, place in volume.state.index.pieces(node, frame.offset, frame.offset + frame.length):
        yield place
