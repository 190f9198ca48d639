"""The structure of a store: everything that decides what it does next, and nothing else. From two moments of the same
structure a store goes on alike, step for step, whatever the bytes of files are, and even if all sequence numbers, file
numbers and erase counts are higher by the same.

Names are in it as the caller recognises them: yesterday's file is yesterday's file, whatever its date.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from functools import cache

from simfs.flash import NorFlash
from simfs.store.format.codec import CLAIMS, FRAME_BYTES, HEADER_BYTES, Frame, encode_frame
from simfs.store.format.runs import Run
from simfs.store.log.block_scan import read_scan
from simfs.store.log.seal import read_listing
from simfs.store.tables.blocks import State
from simfs.store.tables.spans import FileNode
from simfs.store.volume import Volume

NameOf = Callable[[bytes], Hashable]


def outline(volume: Volume) -> Hashable:
    """A part of the structure, quickly got: two structures that differ in it differ. RAM only, a look at every block.
    Of the erase counts it has only how far they are behind the highest, all together."""
    state, blocks = volume.state, volume.state.blocks
    heads = tuple(None if head is None else (head.block, head.at, len(head.table.runs)) for head in state.log.heads)
    behind = blocks.erase_count_max * len(blocks) - sum(blocks.erase_count)
    return heads, behind, tuple(blocks.live), tuple(blocks.state)


def structure(volume: Volume, name_of: NameOf) -> Hashable | None:
    """The whole structure; None where a store has blocks that failed or are in doubt, files that are open or that
    wait. Reads all of the flash, which is not counted."""
    state, blocks, name_of = volume.state, volume.state.blocks, cache(name_of)
    if blocks.left_end or blocks.failing or blocks.lost_count or state.segments.untold or state.reserved:
        return None
    if any(node.handles or node.name is None for node in state.nodes.values()):
        return None
    flash = state.flash
    counted = flash.reads, flash.read_bytes
    try:
        on_flash = tuple(_block(volume, block, name_of) for block in range(len(blocks)))
    finally:
        flash.reads, flash.read_bytes = counted
    return outline(volume), on_flash, _in_ram(volume, name_of), _orders(volume)


def _file(volume: Volume, number: int, name_of: NameOf) -> Hashable:
    """A live file is known by its name; dead ones are all alike."""
    node = volume.state.nodes.get(number)
    return None if node is None or node.name is None else name_of(node.name)


def _block(volume: Volume, block: int, name_of: NameOf) -> Hashable:
    """What stands in a block, its frames one by one."""
    state, sequence = volume.state, volume.state.log.sequence
    if block in state.blocks.named or state.blocks.state[block] == State.UNUSED:
        return None
    listing = read_listing(state.flash, state.layout, block)
    found = read_scan(state, block)
    start = block * state.layout.block_bytes
    numbers = sorted({frame.file for frame in found.frames})
    files = {number: (rank, _file(volume, number, name_of)) for rank, number in enumerate(numbers)}
    frames = tuple(
        (
            frame.kind, frame.length, files[frame.file], frame.offset, frame.order, frame.address,
            _names(state.flash.read, frame, start, name_of),
        )
        for frame in found.frames
    )  # fmt: skip
    sealed = listing and listing[0]._replace(base=0)  # which says too whether runs are listed
    freed_at = state.blocks.freed_at[block] if state.blocks.state[block] == State.FREED else -1
    age = freed_at if freed_at < 0 else freed_at - sequence
    return frames, tuple(found.voids()), sealed, state.blocks.base[block] - sequence, age


def _names(read: Callable[[int, int], bytes], frame: Frame, start: int, name_of: NameOf) -> Hashable:
    """The names that a frame speaks of."""
    if frame.kind not in CLAIMS:
        return None
    payload = read(start + frame.address + HEADER_BYTES, frame.length)
    return tuple((name_of(name), len(name)) for name in payload.split(b"\0"))


def _in_ram(volume: Volume, name_of: NameOf) -> Hashable:
    """Files, claims and open blocks."""
    state, claims = volume.state, volume.state.claims

    def node(file: FileNode) -> Hashable:
        assert file.name is not None
        return name_of(file.name), file.size, tuple(file.starts), tuple(file.places), file.name_place

    def run(of: Run) -> Hashable:
        return of.kind, of.address, of.order, of.length, _file(volume, of.file, name_of), of.offset

    heads = tuple(
        head
        and (
            head.base - state.log.sequence, head.page_programs, head.void_from, head.asleep, head.room_end,
            head.table.next_order, tuple(run(of) for of in head.table.runs),
            frozenset(run(of) for of in head.table.current.values()),
        )
        for head in state.log.heads
    )  # fmt: skip
    bearing = frozenset(
        (block, tuple(name_of(key) for key in keys)) for block, keys in state.segments.bearers_in.items()
    )
    return (
        heads, bearing, frozenset(node(file) for file in state.nodes.values()),
        frozenset((name_of(key), count) for key, count in claims.bearers.items()),
        frozenset((name_of(key), *tomb) for key, tomb in claims.tombs.items()), claims.promised,
    )  # fmt: skip


def _orders(volume: Volume) -> Hashable:
    """In which order blocks come, and what the cleaner remembers."""
    state, blocks = volume.state, volume.state.blocks
    least = min(blocks.erase_count)
    aged = (
        tuple(at - state.log.logged_bytes for at in blocks.written_at) if state.config.cleaner == "cost-benefit" else ()
    )
    return (
        tuple(blocks.closed), tuple(blocks.named), frozenset(blocks.freed), aged, blocks.erase_count_max - least,
        tuple(count - least for count in blocks.erase_count),
        blocks.unused_count, state.segments.lead, state.segments.is_left, state.segments.ready,
        state.segments.next_mark, volume.cleaner.memory,
    )  # fmt: skip


def rename_all(volume: Volume, renamed: Callable[[bytes], bytes]) -> None:
    """Give every name in the store, on the flash and in RAM, another one of the same length. Nothing is counted."""
    state, flash = volume.state, volume.state.flash
    counted = flash.reads, flash.read_bytes
    for block, block_state in enumerate(state.blocks.state):
        if block_state != State.UNUSED and block not in state.blocks.named:
            for frame in read_scan(state, block).frames:
                if frame.kind in CLAIMS:
                    at = frame._replace(address=block * state.layout.block_bytes + frame.address)
                    _rename_frame(flash, at, state.blocks.salt[block], renamed)
    flash.reads, flash.read_bytes = counted
    claims = state.claims
    claims.bearers = {renamed(key): count for key, count in claims.bearers.items()}
    claims.tombs = {renamed(key): tomb for key, tomb in claims.tombs.items()}
    state.segments.bearers_in = {
        block: [renamed(key) for key in keys] for block, keys in state.segments.bearers_in.items()
    }
    named = [node for node in state.nodes.values() if node.name is not None]
    state.files.clear()
    for node in named:
        assert node.name is not None
        node.name = renamed(node.name)
        state.files[claims.key(node.name)] = node


def _rename_frame(flash: NorFlash, frame: Frame, salt: int, renamed: Callable[[bytes], bytes]) -> None:
    payload = flash.read(frame.address + HEADER_BYTES, frame.length)
    named = b"\0".join(renamed(name) for name in payload.split(b"\0"))
    assert len(named) == len(payload)
    raw = encode_frame(frame.kind, frame.file, frame.offset, frame.order, named, salt)
    assert len(raw) == FRAME_BYTES + frame.length
    flash.put(frame.address, raw)
