"""Checks a store: compares the flash with what is in RAM, reads every frame, and does every sum again."""

from __future__ import annotations

from simfs.store.format.codec import BASE
from simfs.store.format.errors import CorruptStore
from simfs.store.log.state import StoreState
from simfs.store.recovery.mount import load, refuse_damage
from simfs.store.tables.blocks import State
from simfs.store.tables.spans import FileNode
from simfs.store.volume import Volume


def check(volume: Volume) -> list[str]:
    """The broken invariants, each with its figures. Mounts a second time, read-only, and reads every live byte."""
    state = volume.state
    problems = invariants(state)
    for node in state.nodes.values():
        problems += _readable(volume, node)
    try:
        found = load(state.flash, writable=False)
        refuse_damage(found)
        problems += differences(state, found)
    except CorruptStore as error:
        problems.append(f"a writable mount would fail: {error.strerror}")
    return problems


def invariants(state: StoreState) -> list[str]:
    """Contradictions in RAM. Reads nothing."""
    return _sums(state) + _spans(state) + _blocks(state)


def _sums(state: StoreState) -> list[str]:
    """Live bytes of each block, summed up anew from spans, names and tombstones."""
    blocks, layout = state.blocks, state.layout
    live = [0] * len(blocks)
    for node in state.nodes.values():
        for start, end, place in state.index.pieces(node, 0, node.size):
            live[blocks.of(abs(place))] += layout.cost(end - start) if place > 0 else layout.hole_cost
        if node.name is not None:
            live[blocks.of(node.name_place)] += state.claims.cost(node.name)
    for place, cost in state.claims.tombs.values():
        live[blocks.of(place)] += cost
    for block, told_at in state.segments.told_at.items():
        if told_at is not None:
            live[blocks.of(told_at)] += layout.frame_cost(0 if blocks.is_bad(block) else BASE.size)
    problems = [
        f"block {block}: {blocks.live[block]} live bytes are kept, {found} are found"
        for block, found in enumerate(live)
        if found != blocks.live[block]
    ]
    if blocks.live_total != sum(live):
        problems.append(f"{blocks.live_total} live bytes are kept in all, {sum(live)} are found")
    promised = sum(state.claims.cost(node.name) for node in state.files.values())
    if promised != state.claims.promised:
        problems.append(f"{state.claims.promised} bytes are promised to removals, {promised} are needed")
    reserved = sum(node.reserved for node in state.nodes.values())
    if reserved != state.reserved:
        problems.append(f"{state.reserved} bytes are reserved for buffers, {reserved} are needed")
    return problems


def _spans(state: StoreState) -> list[str]:
    problems = []
    for number, node in state.nodes.items():
        if number != node.number:
            problems.append(f"file {node.name!r} is kept as number {number} and says {node.number}")
        starts = node.starts
        if starts != sorted(set(starts)) or len(starts) != len(node.places):
            problems.append(f"file {node.name!r}: spans out of order: {starts}")
        if (starts[0] if starts else 0) != 0 or bool(starts) != bool(node.size) or (starts and starts[-1] >= node.size):
            problems.append(
                f"file {node.name!r}: spans from {starts[:1]} to {starts[-1:]} do not cover {node.size} bytes"
            )
    for key, node in state.files.items():
        if node.name is None or state.claims.key(node.name) != key:
            problems.append(f"file {node.name!r} is listed as {key!r}")
    return problems


def _blocks(state: StoreState) -> list[str]:
    """Compare the lists of blocks with the states of blocks."""
    blocks = state.blocks
    listed = {
        State.CLOSED: sorted(blocks.closed),
        State.FREED: sorted(blocks.freed | {one for one in blocks.named if blocks.state[one] == State.FREED}),
        State.OPEN: sorted(head.block for head in state.log.heads if head is not None),
        State.READY: [] if state.segments.ready is None else [state.segments.ready],
    }
    kept: dict[State, list[int]] = {kind: [] for kind in State}
    for block, kind in enumerate(blocks.state):
        kept[kind].append(block)
    problems = [
        f"blocks {kept[kind]} are {kind.name.lower()}, listed are {found}"
        for kind, found in listed.items()
        if kept[kind] != found
    ]
    if len(kept[State.UNUSED]) != blocks.unused_count:
        problems.append(f"{blocks.unused_count} blocks are kept as unused, {len(kept[State.UNUSED])} are found")
    problems += [
        f"freed block {block} holds {blocks.live[block]} live bytes"
        for block in listed[State.FREED]
        if blocks.live[block]
    ]
    return problems


def _readable(volume: Volume, node: FileNode) -> list[str]:
    for start, end, place in volume.state.index.pieces(node, 0, node.size):
        try:
            found = len(volume.state.reader.span(node.number, place, start, end)) if place > 0 else end - start
        except CorruptStore as error:
            return [f"file {node.name!r}, bytes {start} to {end}: {error.strerror}"]
        if found != end - start:
            return [f"file {node.name!r}, bytes {start} to {end}: {found} bytes were read"]
    return []


def differences(state: StoreState, found: StoreState) -> list[str]:
    """Compare names, sizes, spans and erase counts with what a mount finds. Tombstones may differ: RAM knows of dead
    blocks that a mount still reads, and the other way round."""
    problems = []
    for key in sorted(state.files.keys() | found.files.keys()):
        kept, other = state.files.get(key), found.files.get(key)
        if kept is None or other is None:
            problems.append(f"file {key!r} is {'kept' if kept else 'found on the flash'} only")
        elif (kept.number, kept.name, kept.size, kept.name_place) != (
            other.number,
            other.name,
            other.size,
            other.name_place,
        ):
            problems.append(f"file {key!r}: number, name, size or place differ on the flash")
        elif (kept.starts, kept.places) != (other.starts, other.places):
            problems.append(f"file {key!r}: the flash has other spans")
    problems += [
        f"block {block}: erase count {kept} is kept, {other} is found"
        for block, (kept, other) in enumerate(zip(state.blocks.erase_count, found.blocks.erase_count, strict=True))
        if kept != other and state.blocks.state[block] != State.BAD  # whose record may be lost
    ]
    return problems
