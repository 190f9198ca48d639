"""Runs: frames of one file in one block that continue each other. The open block keeps them as it is written; a mount
finds the same ones from the frames, by the same rule."""

from __future__ import annotations

from simfs.store.format.codec import BAD, DATA, ENTRY, MARK, ORDER_MAX

PLACE_BITS = 24  # of an entry's first field; the kind stands above them
PLACE_MASK = (1 << PLACE_BITS) - 1
Entry = tuple[int, int, int, int, int]  # place in the block | kind << 24, order, length, file, offset


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
        place = (self.address - block_start) | self.kind << PLACE_BITS
        return place, self.order, self.length, self.file, self.offset

    def encode(self, block_start: int) -> bytes:
        """The run entry of a seal."""
        return ENTRY.pack(*self.entry(block_start))


def runs_listed(entries: list[Entry], block_start: int) -> list[Run]:
    """The runs that a seal lists."""
    return [
        Run(place >> PLACE_BITS, block_start + (place & PLACE_MASK), order, length, file, offset)
        for place, order, length, file, offset in entries
    ]


def decode_runs(raw: bytes, block_start: int) -> list[Run]:
    """The run entries in `raw`."""
    return runs_listed(list(ENTRY.iter_unpack(raw)), block_start)


class RunTable:
    """The runs of one block, in the order in which they began."""

    __slots__ = ("current", "newest_order", "next_order", "runs")

    def __init__(self) -> None:
        self.runs: list[Run] = []
        self.current: dict[int, Run] = {}  # by file: the run that its next frame may continue
        self.next_order = 0
        self.newest_order = -1  # of a frame that is no MARK; only a mount sets it

    def copy(self) -> RunTable:
        """A copy to go on with. The two share the runs that no frame can continue any more."""
        own = {id(run): run.copy() for run in self.current.values()}
        other = RunTable()
        other.runs = [own.get(id(run), run) for run in self.runs]
        other.current = {file: own[id(run)] for file, run in self.current.items()}
        other.next_order, other.newest_order = self.next_order, self.newest_order
        return other

    def continued(self, kind: int, file: int, offset: int, length: int, order: int) -> Run | None:
        """The run that this frame would continue, if any."""
        run = self.current.get(file) if kind == DATA else None
        if (
            run is None
            or run.offset + run.length != offset
            or order != self.next_order
            or run.length + length > ORDER_MAX
        ):
            return None
        return run

    def begin(self, kind: int, address: int, order: int, length: int, file: int, offset: int) -> Run:
        """Note a frame that continues no run. `length` counts bytes of the file."""
        if order != self.next_order or kind == MARK:
            self.current.clear()  # the other head wrote in between, or a void ends here
        self.next_order = order + 1
        run = Run(kind, address, order, length, file, offset)
        self.runs.append(run)
        if kind == DATA:
            self.current[file] = run
        elif kind != BAD:
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
