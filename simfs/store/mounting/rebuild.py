"""Puts names and files together from the runs of all blocks: the claims in the order of their sequence numbers, then
the data of the files that these leave."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache

from simfs.store.format.codec import (
    DATA,
    FRAME_BYTES,
    HOLE,
    NUMBER_MAX,
    REMOVE,
    RENAME,
    SIZE_MAX,
    TELLING,
    U32,
    Frame,
)
from simfs.store.format.errors import CorruptStore
from simfs.store.format.runs import (
    DATA_BITS,
    KIND_BITS,
    KIND_MASK,
    KIND_SHIFT,
    LENGTH_SHIFT,
    ORDER_MASK,
    ORDER_SHIFT,
    PLACE_MASK,
    Entry,
    Run,
    kind_of,
    order_of,
    place_of,
    runs_listed,
)
from simfs.store.log.state import Finding, StoreState
from simfs.store.mounting.block_reader import PLAINLY, ClaimsFound, Look
from simfs.store.mounting.survey import Survey
from simfs.store.mounting.told import Used
from simfs.store.tables.spans import FileNode

BlockRuns = tuple[int, int, list[Entry]]  # the block's base sequence number and first address, its runs
SPANNING = frozenset((kind & KIND_MASK) << KIND_SHIFT for kind in (DATA, HOLE))  # runs that have bytes of files
Cuts = dict[int, list[tuple[int, int]]]  # file: (sequence, size) of its claims
Named = dict[bytes, FileNode]  # by key


def replay(found: Survey, look: Look) -> None:
    """The files of all blocks that hold anything; nothing where they were found before."""
    if found.is_replayed:
        return
    found.is_replayed = True
    state, used = found.state, found.used.values()
    cuts = replay_claims(state, used, look)
    replay_data(state, [(use.base, use.start, use.entries) for use in used], cuts, look)


def replay_claims(state: StoreState, used: Iterable[Used], look: Look) -> Cuts:
    """Names, files and tombstones from all claims. Reads each claim's frame."""
    claims, newest = [], state.next_number - 1
    for use in used:
        for entry in use.entries:
            if entry[1] > newest and kind_of(entry) not in TELLING:
                newest = entry[1]
        if use.others:
            said = _claims(state, look, use.start, use.others)
            claims += [(use.base + order, frame, payload) for order, frame, payload in said]
    state.next_number = newest + 1
    cuts: Cuts = {}
    named: Named = {}
    for sequence, frame, payload in sorted(claims):
        names = _names(state, frame, payload)
        if not names:
            length, what = FRAME_BYTES + frame.length, "a claim on a name makes no sense"
            _note_damage(state, frame.address, length, what, before=sequence + 1)
            continue
        if frame.kind == REMOVE:
            _take_away(state, named, names[0])
            state.claims.free_name(names[0], frame.address)
            continue
        _give(state, named, frame, names[0])
        cuts.setdefault(frame.file, []).append((sequence, frame.offset))
        if frame.kind == RENAME:  # there may be an older bearer: the frame that gave this file the name may be gone
            _take_away(state, named, names[1])
            state.claims.free_name(names[1], frame.address)
    state.files.update(named)
    for node in state.files.values():
        place, node.name_place = node.name_place, 0
        state.move_name(node, place)
        state.claims.promised += state.claims.cost(node.name)
        state.nodes[node.number] = node
    return cuts


def _claims(state: StoreState, look: Look, start: int, entries: Sequence[Entry]) -> ClaimsFound:
    """The claims of a block; one by one, where one of them can't be read."""
    try:
        return look.claims(state, start, entries)
    except CorruptStore:
        found: ClaimsFound = []
        for entry in entries:
            try:
                found += PLAINLY.claims(state, start, [entry])
            except CorruptStore:
                length, what = FRAME_BYTES + (entry[0] >> LENGTH_SHIFT), "a claim on a name can't be read"
                before = state.blocks.base[state.blocks.of(start)] + order_of(entry) + 1
                _note_damage(state, start + place_of(entry), length, what, before=before)
        return found


def _note_damage(
    state: StoreState,
    address: int,
    length: int,
    what: str,
    node: FileNode | None = None,
    files: frozenset[int] | None = None,
    before: int = NUMBER_MAX,
) -> None:
    """`node`: the file that lacks bytes for sure."""
    names = () if node is None or node.name is None else (node.name.decode("utf-8", "surrogateescape"),)
    state.damages.append(Finding(address, address + length, what, names, files=files, before=before))


def _names(state: StoreState, frame: Frame, payload: bytes) -> list[bytes]:
    """The names in a claim: two in a RENAME. None when there are others than the store takes."""
    names = payload.split(b"\0")
    lengths = [len(name) for name in names]
    fitting = 0 < min(lengths) <= max(lengths) < state.config.name_bytes
    return names if fitting and len(names) == 1 + (frame.kind == RENAME) else []


def _give(state: StoreState, named: Named, frame: Frame, name: bytes) -> None:
    """The file of this frame has the name from now on."""
    _take_away(state, named, name)
    node = state.nodes.get(frame.file)
    if node is not None:
        assert node.name is not None
        named.pop(state.claims.key(node.name), None)
    node = FileNode(frame.file, name)
    node.name_place = frame.address
    state.nodes[frame.file] = node
    named[state.claims.key(name)] = node
    state.claims.bear(name)


def _take_away(state: StoreState, named: Named, name: bytes) -> None:
    """The file that has the name is gone."""
    node = named.pop(state.claims.key(name), None)
    if node is not None:
        del state.nodes[node.number]


def replay_data(state: StoreState, blocks: list[BlockRuns], cuts: Cuts, look: Look) -> None:
    """The spans of every file. Reads the frames of holes only."""
    sizes = {number: of_file[-1][1] for number, of_file in cuts.items()}
    _replay_runs(state, _in_order(state, blocks), cuts, look)
    for node in state.nodes.values():
        for _, size in cuts[node.number]:
            state.index.cut(node, size)
        size = sizes[node.number]
        if node.size > SIZE_MAX:
            raise CorruptStore(f"the file {node.name!r} has {node.size} bytes; {SIZE_MAX} are the most")
        if node.size < size or 0 in node.places:
            _note_damage(
                state,
                node.name_place,
                FRAME_BYTES,
                f"bytes of a file are missing: {_missing(node, size)}",
                node,
            )
            if node.size < size:
                node.starts.append(node.size)
                node.places.append(0)
                node.size = size


def _replay_runs(state: StoreState, blocks: list[BlockRuns], cuts: Cuts, look: Look) -> None:
    """The DATA and HOLE runs in their order. Nearly every one only lengthens its file: such a span is noted here, and
    charged with the others of its block."""
    cost_of, charge, find = cache(state.layout.cost), state.blocks.charge, state.nodes.get
    due = {file: of_file[0][0] for file, of_file in cuts.items()}  # the number of each file's next cut
    for base, start, entries in blocks:
        grown = 0
        for entry in entries:
            first, file, offset = entry
            node = find(file)
            if node is None:
                continue
            length = first >> LENGTH_SHIFT
            if (
                offset == node.size
                and first & KIND_BITS == DATA_BITS
                and length
                and (file not in due or base + (first >> ORDER_SHIFT & ORDER_MASK) <= due[file])
                and not (offset and node.places[-1] == start + (first & PLACE_MASK))
            ):
                node.starts.append(offset)
                node.places.append(start + (first & PLACE_MASK))
                node.size = offset + length
                grown += cost_of(length)
            elif first & KIND_BITS in SPANNING:
                _replay_run(state, node, base + order_of(entry), runs_listed([entry], start)[0], cuts[file], look)
                if cuts[file]:
                    due[file] = cuts[file][0][0]
                else:
                    due.pop(file, None)
        if grown:
            charge(start, grown)


def _replay_run(
    state: StoreState, node: FileNode, sequence: int, run: Run, cuts_ahead: list[tuple[int, int]], look: Look
) -> None:
    """Apply one run to its file, after the cuts that came before it."""
    index = state.index
    if run.kind != DATA and run.kind != HOLE:
        return
    while cuts_ahead and cuts_ahead[0][0] < sequence:
        index.cut(node, cuts_ahead.pop(0)[1])
    if run.kind == HOLE:
        try:
            zeros_from = look.zeros_from(state, run)
        except CorruptStore:
            length, what = FRAME_BYTES + U32.size, "a hole in a file can't be read"
            _note_damage(state, run.address, length, what, node, frozenset((node.number,)))
            return
        index.put(node, zeros_from, run.offset - zeros_from, -run.address)
    index.put(node, run.offset, run.length, run.address)


def _missing(node: FileNode, size: int) -> str:
    if 0 in node.places:
        return f"from byte {node.starts[node.places.index(0)]} on"
    return f"it has {node.size} of at least {size}"


def _in_order(state: StoreState, blocks: list[BlockRuns]) -> list[BlockRuns]:
    """The runs by sequence number: block by block where one head wrote them all, else one by one."""
    if len(state.log.heads) == 1:
        return sorted(blocks, key=lambda block: block[0])
    single = [(base, start, [entry]) for base, start, entries in blocks for entry in entries]
    return sorted(single, key=lambda block: block[0] + order_of(block[2][0]))
