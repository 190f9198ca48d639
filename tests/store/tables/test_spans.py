"""Spans and runs against naive models: a place for each byte, and the rule of runs applied frame by frame."""

from __future__ import annotations

from hypothesis import example, given, settings
from hypothesis import strategies as st

from simfs.flash import Geometry
from simfs.store.format.codec import LENGTH_MAX, Frame, Kind
from simfs.store.format.config import StoreConfig
from simfs.store.format.layout import Layout
from simfs.store.format.runs import RunTable, decode_runs
from simfs.store.log.block_scan import Scan, table_of
from simfs.store.tables.blocks import BlockTable
from simfs.store.tables.spans import FileNode, Index

BLOCK_BYTES, BLOCK_COUNT = 4096, 8
LAYOUT = Layout(Geometry(BLOCK_COUNT, BLOCK_BYTES, 256), StoreConfig(buffer_bytes=64))
quick = settings(max_examples=150, deadline=None)

PUT = st.tuples(st.just("put"), st.integers(0, 120), st.integers(0, 60), st.integers(-3, 6).filter(bool))
CUT = st.tuples(st.just("cut"), st.integers(0, 150), st.just(0), st.just(0))


def a_block_table() -> BlockTable:
    return BlockTable(BLOCK_COUNT, BLOCK_BYTES, LAYOUT.block_room, LAYOUT.capacity)


def place_of(run: int, number: int = 0) -> int:
    """An address for each run, spread over the blocks; a hole's is negative, and as a hole is one frame, which is put
    once, no two have the same: `number` tells them apart."""
    return 1000 * run if run > 0 else 1000 * run - number


@given(st.lists(st.one_of(PUT, PUT, CUT), max_size=30))
@example([("put", 31, 60, -1), ("put", 91, 1, -1)])
@quick
def test_spans_are_a_map_of_bytes(changes: list[tuple[str, int, int, int]]) -> None:
    blocks = a_block_table()
    index, node = Index(LAYOUT, blocks), FileNode(1, b"f")
    where: list[int] = []
    for number, (what, offset, length, run) in enumerate(changes):
        place = place_of(run, number)
        if what == "cut":
            index.cut(node, offset)
            del where[offset:]
        else:
            index.put(node, offset, length, place)
            if length:
                where += [0] * (offset - len(where))
                where[offset : offset + length] = [place] * length
        assert node.size == len(where)
        assert [place for start, end, place in index.pieces(node, 0, node.size) for _ in range(start, end)] == where
        assert_spans_in_order(node)
        assert_charged(index, node, blocks)


def assert_spans_in_order(node: FileNode) -> None:
    assert node.starts == sorted(set(node.starts))
    assert len(node.starts) == len(node.places)
    assert node.starts[:1] == ([0] if node.size else [])
    assert not node.starts or node.starts[-1] < node.size


def assert_charged(index: Index, node: FileNode, blocks: BlockTable) -> None:
    """What is live in each block is what its spans would cost when they are written again."""
    live = [0] * BLOCK_COUNT
    for start, end, place in index.pieces(node, 0, node.size):
        cost = LAYOUT.cost(end - start) if place > 0 else LAYOUT.hole_cost if place else 0
        live[abs(place) // BLOCK_BYTES] += cost
    assert blocks.live == live
    assert blocks.live_total == sum(live)


@given(st.lists(PUT, max_size=20), st.integers(0, 200), st.integers(0, 200))
@quick
def test_pieces_are_clipped_to_what_was_asked(puts: list[tuple[str, int, int, int]], start: int, stop: int) -> None:
    index, node = Index(LAYOUT, a_block_table()), FileNode(1, b"f")
    for _, offset, length, run in puts:
        index.put(node, offset, length, place_of(run))
    every = {
        byte: place for begin, end, place in index.pieces(node, 0, node.size) for byte in range(begin, end)
    }  # fmt: skip
    asked = [
        (byte, place) for begin, end, place in index.pieces(node, start, stop) for byte in range(begin, end)
    ]  # fmt: skip
    assert asked == [(byte, every[byte]) for byte in range(start, min(stop, node.size))]


def test_spans_that_continue_each_other_are_one() -> None:
    index, node = Index(LAYOUT, a_block_table()), FileNode(1, b"f")
    for number in range(1000):
        index.put(node, 40 * number, 40, 1000)
    assert (node.starts, node.places, node.size) == ([0], [1000], 40_000)


# -- runs

NO_FILE = (Kind.BAD, Kind.LEFT)  # of no file, whatever number stands in them
FILE_FRAME = st.tuples(
    st.sampled_from([Kind.DATA, Kind.DATA, Kind.DATA, Kind.HOLE, Kind.NAME]),
    st.integers(1, 3),  # file
    st.sampled_from(["on", "on", "on", "gap"]),  # where it begins
    st.integers(1, 90),
)
BAD_FRAME = st.tuples(st.just(Kind.BAD), st.integers(0, 3), st.just("on"), st.just(0))  # `file` is a block
OTHER_FRAME = st.one_of(BAD_FRAME, st.tuples(st.just(Kind.LEFT), st.integers(0, 3), st.just("on"), st.just(8)))
STEPS = st.lists(st.tuples(st.one_of(FILE_FRAME, FILE_FRAME, OTHER_FRAME), st.sampled_from([1, 1, 1, 4])), max_size=40)


def frames_of(steps: list[tuple[tuple[Kind, int, str, int], int]]) -> list[Frame]:
    """Frames of a block; an order that skips means that another head wrote in between."""
    frames, order, address = [], 0, 64
    ends = dict.fromkeys(range(4), 0)
    for (kind, file, where, length), step in steps:
        order += step
        payload = length + 4 if kind == Kind.HOLE else length
        offset = ends[file] + (7 if where == "gap" else 0)
        if kind in (Kind.DATA, Kind.HOLE):
            ends[file] = offset + length
        frames.append(Frame(kind, payload, file, offset, order, address))
        address += 20 + payload
    return frames


def naive_runs(frames: list[Frame]) -> list[tuple[int, int, int]]:
    """(address, order, length) of each run, by the rule in words: a DATA frame goes on with the file's run when it
    begins where the file's previous frame in the block ended, and neither another frame of the file nor the other head
    came in between."""
    runs: list[list[int]] = []
    for number, frame in enumerate(frames):
        length = frame.length - 4 if frame.kind == Kind.HOLE else frame.length
        before = [at for at in range(number) if frames[at].file == frame.file and frames[at].kind not in NO_FILE]
        previous = before[-1] if before else None
        goes_on = (
            frame.kind == Kind.DATA
            and previous is not None
            and frames[previous].kind == Kind.DATA
            and frames[previous].offset + frames[previous].length == frame.offset
            and frame.order - frames[previous].order == number - previous
        )
        if goes_on:
            run = next(run for run in reversed(runs) if run[3] == frame.file)
            run[2] += length
        else:
            runs.append([frame.address, frame.order, length, 0 if frame.kind in NO_FILE else frame.file])
    return [(address, order, length) for address, order, length, _ in runs]


@given(STEPS)
@quick
def test_runs_follow_their_rule(steps: list[tuple[tuple[Kind, int, str, int], int]]) -> None:
    frames = frames_of(steps)
    table = table_of(LAYOUT, Scan(0, b"", 0, LAYOUT.page_bytes, frames=frames))
    assert [(run.address, run.order, run.length) for run in table.runs] == naive_runs(frames)
    assert table.next_order == (frames[-1].order + 1 if frames else 0)
    raw = b"".join(run.encode(0) for run in table.runs)
    again = decode_runs(raw, 0)
    slots = ("kind", "address", "order", "length", "file", "offset")
    for run, decoded in zip(table.runs, again, strict=True):
        assert [getattr(run, slot) for slot in slots] == [getattr(decoded, slot) for slot in slots]


def test_a_run_ends_before_its_length_overflows() -> None:
    table = RunTable()
    for number in range(3):
        table.add(Kind.DATA, 64 + number, number, 30_000, 1, 30_000 * number)
    assert [run.length for run in table.runs] == [60_000, 30_000]
    assert max(run.length for run in table.runs) <= LENGTH_MAX
