"""Runs: frames of one file in one block that continue each other. The open block keeps them as it is written; a mount
finds the same ones from the frames, by the same rule."""

from __future__ import annotations

from simfs.store.format.codec import BAD, DATA, ENTRY, LEFT, LENGTH_MAX, STATEMENT

PLACE_MASK = 0xFFFFFF  # the place in the block; the kind, the order and the length stand above it
KIND_SHIFT, KIND_MASK = 24, 0xF  # both halves of a kind's byte are the same
ORDER_SHIFT, ORDER_MASK = 28, 0xFFFFF
LENGTH_SHIFT = 48
KIND_BITS, DATA_BITS = KIND_MASK << KIND_SHIFT, (DATA & KIND_MASK) << KIND_SHIFT
Entry = tuple[int, int, int]  # the fields above in one number, file, offset


def kind_of(entry: Entry) -> int:
    """The kind of a run's first frame."""
    return (entry[0] >> KIND_SHIFT & KIND_MASK) * 0x11


def place_of(entry: Entry) -> int:
    """Where a run begins in its block."""
    return entry[0] & PLACE_MASK


def order_of(entry: Entry) -> int:
    """The order of a run's first frame."""
    return entry[0] >> ORDER_SHIFT & ORDER_MASK


class Run:
    """One run. `address` is that of its first frame on the flash, `order` that frame's; `length` counts bytes of the
    file."""

    __slots__ = ("address", "file", "kind", "length", "offset", "order")

    def __init__(self, kind: int, address: int, order: int, length: int, file: int, offset: int) -> None:
        self.kind = kind
        self.address = address
        self.order = order
        self.length = length
        self.file = file
        self.offset = offset

    def copy(self) -> Run:
        """A copy."""
        return Run(self.kind, self.address, self.order, self.length, self.file, self.offset)

    def entry(self, block_start: int) -> Entry:
        """The seal's entry for it."""
        first = self.address - block_start | (self.kind & KIND_MASK) << KIND_SHIFT
        return first | self.order << ORDER_SHIFT | self.length << LENGTH_SHIFT, self.file, self.offset

    def encode(self, block_start: int) -> bytes:
        """The run entry of a seal."""
        return ENTRY.pack(*self.entry(block_start))


def runs_listed(entries: list[Entry], block_start: int) -> list[Run]:
    """The runs that a seal lists."""
    return [
        Run(kind_of(entry), block_start + place_of(entry), order_of(entry), entry[0] >> LENGTH_SHIFT, *entry[1:])
        for entry in entries
    ]


def decode_runs(raw: bytes, block_start: int) -> list[Run]:
    """The run entries in `raw`."""
    return runs_listed(list(ENTRY.iter_unpack(raw)), block_start)


class RunTable:
    """The runs of one block, in the order in which they began."""

    __slots__ = ("current", "next_order", "runs")

    def __init__(self) -> None:
        self.runs: list[Run] = []
        self.current: dict[int, Run] = {}  # by file: the run that its next frame may continue
        self.next_order = 0

    def copy(self) -> RunTable:
        """A copy to go on with. The two share the runs that no frame can continue any more."""
        own = {id(run): run.copy() for run in self.current.values()}
        other = RunTable()
        other.runs = [own.get(id(run), run) for run in self.runs]
        other.current = {file: own[id(run)] for file, run in self.current.items()}
        other.next_order = self.next_order
        return other

    def continued(self, kind: int, file: int, offset: int, length: int, order: int) -> Run | None:
        """The run that this frame would continue, if any."""
        run = self.current.get(file) if kind == DATA else None
        if (
            run is None
            or run.offset + run.length != offset
            or order != self.next_order
            or run.length + length > LENGTH_MAX
        ):
            return None
        return run

    def begin(self, kind: int, address: int, order: int, length: int, file: int, offset: int) -> Run:
        """Note a frame that continues no run. `length` counts bytes of the file."""
        if order != self.next_order or kind == STATEMENT:
            self.current.clear()  # the other head wrote in between, or a statement stands there
        self.next_order = order + 1
        run = Run(kind, address, order, length, file, offset)
        self.runs.append(run)
        if kind == DATA:
            self.current[file] = run
        elif kind != BAD and kind != LEFT:
            self.current.pop(file, None)
        return run

    def add(self, kind: int, address: int, order: int, length: int, file: int, offset: int) -> None:
        """Note a frame, whether it continues a run or not."""
        run = self.continued(kind, file, offset, length, order)
        if run is None:
            self.begin(kind, address, order, length, file, offset)
        else:
            run.length += length
            self.next_order = order + 1
