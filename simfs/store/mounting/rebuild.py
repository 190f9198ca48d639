"""Puts names and files together from the runs of all blocks: the claims in the order of their sequence numbers, then
the data of the files that these leave."""

from __future__ import annotations

from simfs.store.format.codec import BAD, CLAIMS, DATA, HOLE, MARK, REMOVE, RENAME, SIZE_MAX, Frame
from simfs.store.format.errors import CorruptStore
from simfs.store.format.runs import PLACE_BITS, PLACE_MASK, Entry, Run, runs_listed
from simfs.store.log.frame_reader import damaged
from simfs.store.log.state import StoreState
from simfs.store.mounting.block_reader import Look
from simfs.store.tables.spans import FileNode

_NO_FILE = (BAD, MARK)

BlockRuns = tuple[int, int, list[Entry]]  # the block's base sequence number and first address, its runs
Cuts = dict[int, list[tuple[int, int]]]  # file: (sequence, size) of its claims
Named = dict[bytes, FileNode]  # by key


def replay_claims(state: StoreState, blocks: list[BlockRuns], look: Look) -> Cuts:
    """Names, files and tombstones from all claims. Reads each claim's frame. CorruptStore when one is damaged."""
    claims, newest = [], state.next_number - 1
    for base, start, entries in blocks:
        speaks_of_names = False
        for place, _, _, file, _ in entries:
            kind = place >> PLACE_BITS
            if kind in CLAIMS:
                speaks_of_names = True
            if file > newest and kind not in _NO_FILE:
                newest = file
        if speaks_of_names:
            claims += [(base + order, frame, payload) for order, frame, payload in look.claims(state, start, entries)]
    state.next_number = newest + 1
    cuts: Cuts = {}
    named: Named = {}
    for sequence, frame, payload in sorted(claims):
        names = _names(state, frame, payload)
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


def _names(state: StoreState, frame: Frame, payload: bytes) -> list[bytes]:
    """The names in a claim: two in a RENAME. CorruptStore when there are others than the store takes."""
    names = payload.split(b"\0")
    lengths = [len(name) for name in names]
    fitting = 0 < min(lengths) <= max(lengths) < state.config.name_bytes
    if not fitting or len(names) != 1 + (frame.kind == RENAME):
        raise damaged(frame.address, state.layout)
    return names


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


def replay_data(state: StoreState, blocks: list[BlockRuns], cuts: Cuts) -> None:
    """The spans of every file. CorruptStore when bytes of a file are missing. Reads the frames of holes only."""
    sizes = {number: of_file[-1][1] for number, of_file in cuts.items()}
    _replay_runs(state, _in_order(state, blocks), cuts)
    for node in state.nodes.values():
        for _, size in cuts[node.number]:
            state.index.cut(node, size)
        size = sizes[node.number]
        if node.size > SIZE_MAX:
            raise CorruptStore(f"the file {node.name!r} has {node.size} bytes; {SIZE_MAX} are the most")
        if node.size < size or 0 in node.places:
            raise CorruptStore(f"bytes of the file {node.name!r} are missing: {_missing(node, size)}")


def _replay_runs(state: StoreState, blocks: list[BlockRuns], cuts: Cuts) -> None:
    """The DATA and HOLE runs in their order. Nearly every one only lengthens its file: such a span is noted here, and
    charged with the others of its block."""
    nodes, layout, charge = state.nodes, state.layout, state.blocks.charge
    costs, most, full_cost = layout.costs, layout.buffer_bytes, layout.full_cost
    for base, start, entries in blocks:
        grown = 0
        for entry in entries:
            place, order, length, file, offset = entry
            node = nodes.get(file)
            if node is None:
                continue
            address = start + (place & PLACE_MASK)
            if (
                offset == node.size
                and place >> PLACE_BITS == DATA
                and length
                and not ((cuts_ahead := cuts[file]) and cuts_ahead[0][0] < base + order)
                and not (offset and node.places[-1] == address)
            ):
                node.starts.append(offset)
                node.places.append(address)
                node.size = offset + length
                grown += length // most * full_cost + costs[length % most]  # as `Layout.cost`, without the call
            else:
                _replay_run(state, node, base + order, runs_listed([entry], start)[0], cuts[file])
        if grown:
            charge(start, grown)


def _replay_run(state: StoreState, node: FileNode, sequence: int, run: Run, cuts_ahead: list[tuple[int, int]]) -> None:
    """Apply one run to its file, after the cuts that came before it."""
    index = state.index
    if run.kind != DATA and run.kind != HOLE:
        return
    while cuts_ahead and cuts_ahead[0][0] < sequence:
        index.cut(node, cuts_ahead.pop(0)[1])
    if run.kind == HOLE:
        zeros_from = state.reader.zeros_from(run)
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
    return sorted(single, key=lambda block: block[0] + block[2][0][1])
