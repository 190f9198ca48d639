"""Puts names and files together from the runs of all blocks: the claims in the order of their sequence numbers, then
the data of the files that these leave."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from heapq import heappop, heappush
from operator import itemgetter

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
from simfs.store.format.layout import Layout
from simfs.store.format.runs import (
    DATA_BITS,
    KIND_BITS,
    KIND_MASK,
    KIND_SHIFT,
    LENGTH_SHIFT,
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

BlockRuns = tuple[int, int, list[Entry], tuple[Entry, ...]]
"""A block's base sequence number and first address, its runs, and which of them are not of DATA frames."""
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
    replay_data(state, [(use.base, use.start, use.entries, use.others) for use in used], cuts, look)


def replay_claims(state: StoreState, used: Iterable[Used], look: Look) -> Cuts:
    """Names, files and tombstones from all claims. Reads each claim's frame."""
    claims = []
    for use in used:
        if use.others:
            said = _claims(state, look, use.start, use.others)
            claims += [(use.base + order, frame, payload) for order, frame, payload in said]
            _note_numbers(state, [entry[1] for entry in use.others if kind_of(entry) not in TELLING])
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


def _note_numbers(state: StoreState, files: Iterable[int]) -> None:
    """Files with these numbers were there once: no new one gets any of them."""
    state.next_number = max([state.next_number, *[file + 1 for file in files]])


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


class _Costs(dict[int, int]):
    """What bytes of a run cost in room, by their number."""

    def __init__(self, layout: Layout) -> None:
        super().__init__()
        self._layout = layout

    def __missing__(self, length: int) -> int:
        cost = self[length] = self._layout.cost(length)
        return cost


class _Growing:
    """Files that are only lengthened for a while: of each, where it ends now, and the lists of its spans. `dues`: from
    which sequence number on a claim cuts one of them."""

    def __init__(self, nodes: dict[int, FileNode]) -> None:
        self.ends: dict[int, int] = {}
        self.spans: dict[int, tuple[list[int], list[int]]] = {}
        self._nodes = nodes
        self.dues: list[tuple[int, int]] = []

    def take(self, node: FileNode, cuts_ahead: list[tuple[int, int]], last: int) -> None:
        """The file is only lengthened up to this sequence number, unless a cut comes first."""
        if not cuts_ahead or cuts_ahead[0][0] >= last:
            self.ends[node.number], self.spans[node.number] = node.size, (node.starts, node.places)
            if cuts_ahead:
                heappush(self.dues, (cuts_ahead[0][0], node.number))

    def leave(self, file: int) -> None:
        """Something else than that may happen to the file."""
        if file in self.ends:
            self._nodes[file].size = self.ends.pop(file)

    def leave_before(self, last: int) -> None:
        """The same of those that a claim with a number before this one cuts."""
        while self.dues and self.dues[0][0] < last:
            self.leave(heappop(self.dues)[1])


def _replay_runs(state: StoreState, blocks: list[BlockRuns], cuts: Cuts, look: Look) -> None:
    """The DATA and HOLE runs in their order. Nearly every one only lengthens its file: such a span is noted here, and
    charged with the others of its block."""
    growing, costs, charge, nodes = _Growing(state.nodes), _Costs(state.layout), state.blocks.charge, state.nodes
    ends, spans, dues, end_of = growing.ends, growing.spans, growing.dues, growing.ends.get
    low, length_min, removed = KIND_BITS | PLACE_MASK, 1 << LENGTH_SHIFT, set[int]()
    for base, start, entries, others in blocks:
        grown, data_start = 0, start - DATA_BITS
        if dues and entries:
            growing.leave_before(base + order_of(entries[-1]))
        mixed = {entry[1] for entry in others} if others else ()
        for file in mixed:
            growing.leave(file)
        for entry in entries:
            first, file, offset = entry
            if end_of(file) == offset and first >= length_min:  # of DATA frames, since its file is not mixed
                starts, places = spans[file]
                starts.append(offset)
                places.append(data_start + (first & low))
                length = first >> LENGTH_SHIFT
                ends[file] = offset + length
                grown += costs[length]
            elif file in nodes and first & KIND_BITS in SPANNING:
                growing.leave(file)
                run = runs_listed([entry], start)[0]
                _replay_run(state, nodes[file], base + run.order, run, cuts[file], look)
                if file not in mixed:
                    growing.take(nodes[file], cuts[file], base + order_of(entries[-1]))
            elif file not in nodes and first & KIND_BITS == DATA_BITS:
                removed.add(file)
        if grown:
            charge(start, grown)
    for file in list(ends):
        growing.leave(file)
    _note_numbers(state, removed)


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
        return sorted(blocks, key=itemgetter(0))
    single = [
        (base, start, [entry], (entry,) if entry in others else ())
        for base, start, entries, others in blocks
        for entry in entries
    ]
    return sorted(single, key=lambda block: block[0] + order_of(block[2][0]))
