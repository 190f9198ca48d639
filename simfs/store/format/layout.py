"""Sizes: where frames may start and end in a block, and what bytes cost in room."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Sequence
from functools import lru_cache
from itertools import accumulate
from typing import NamedTuple

from simfs.flash import Geometry
from simfs.store.format.codec import END_BYTES, ENTRY_BYTES, FRAME_BYTES, HEADER_BYTES, SEAL_BYTES, U32
from simfs.store.format.config import StoreConfig
from simfs.store.format.statement import Statement, statement_bytes

CUTS_SPARED = 3  # programs of a page, where the part limits them, that are kept for what is cut and tried again
PLACE_PROGRAMS = 4  # of a page that begins with a statement: two marks before it, two behind
PAGE_PROGRAMS_MIN = PLACE_PROGRAMS + CUTS_SPARED + 1
KILLED_BYTES = END_BYTES  # of END, and of the header of a statement
SPLIT_BYTES_MIN = 128  # moved bytes are not split into less than this: each split costs a frame's overhead


def align_up(value: int, step: int) -> int:
    """The next multiple of `step` from `value` on."""
    return -(-value // step) * step


class Placed(NamedTuple):
    """Frames one behind the other. `crossed` has, by a frame's index, how many page ends lie within it: so many
    programs more than one does it take. `alike`: (programs of a frame, how many frames take so many)."""

    frame_count: int
    room_bytes: int  # from where the first one starts to where the next one may
    program_bytes: int
    programs: int
    crossed: dict[int, int]
    alike: tuple[tuple[int, int], ...]

    def programs_of(self, index: int) -> int:
        """Page programs of one frame."""
        return 1 + self.crossed.get(index, 0)


class Place(NamedTuple):
    """Where the parts of a statement stand, as addresses in the block: the FENCE before it, its frame, END and three
    marks that are programmed after it, and the first frame that follows."""

    fence: int
    statement: int
    end: int
    sure: int
    doubted: int
    next: int
    frames: int


class Layout:
    """The arithmetic of one store's geometry. All figures are bytes; addresses are within a block."""

    def __init__(self, geometry: Geometry, config: StoreConfig) -> None:
        self.block_bytes = geometry.block_bytes
        self.page_bytes = geometry.page_bytes
        self.unit_bytes = geometry.program_unit_bytes
        self.page_programs_max = max(geometry.page_programs_max - CUTS_SPARED, 0)
        self.page_packing = config.packing == "page"
        self.whole_pages = self.page_packing or self.page_programs_max > 0  # frames leave the seal's pages alone
        self.cost_min = self.page_bytes // (self.page_programs_max - 1) if self.page_programs_max > 1 else 0
        self.step = self.page_bytes if self.page_packing else self.unit_bytes
        self.heads = config.log_heads
        self.mark_bytes = self.unit_bytes if self.unit_bytes == 1 else 2 * self.unit_bytes
        self.can_kill = self.unit_bytes == 1 and not self.page_programs_max  # zeros may be programmed over anything
        self._places: dict[tuple[int, int], Place] = {}
        self._set_tail()
        self.first = self.place(0, statement_bytes(self.heads, 0, 0)).frames  # where frames may begin at the earliest
        self.buffer_bytes = buffer_bytes(config, self.page_bytes)
        self.name_bytes = config.name_bytes
        self.split_bytes_min = min(SPLIT_BYTES_MIN, self.buffer_bytes)
        self.runs_max = min(self.block_bytes // 256, 16 + self.block_bytes // 8192)
        self.full_cost = self.frame_cost(self.buffer_bytes)
        self.costs = (0, *(self.frame_cost(length) for length in range(1, self.buffer_bytes + 1)))  # of one frame
        self.pitches = tuple(map(self.pitch, range(self.buffer_bytes + 1)))  # by the payload's length
        self._sizes = tuple(self.padded(FRAME_BYTES + length) for length in range(self.buffer_bytes + 1))
        self.hole_cost = self.frame_cost(4)
        self.block_room = self._block_room()
        self.payload_max = max(4 + self.buffer_bytes, 2 * self.name_bytes)
        self.slack = 2 * self.frame_cost(self.payload_max)
        blocks = max(geometry.block_count - config.reserve - config.log_heads, 0)
        self.capacity = max(blocks * self.block_room - self.slack, 0)
        self.listed_capacity = self.capacity - blocks * self.runs_max * ENTRY_BYTES  # beyond it, listings make way

    def _set_tail(self) -> None:
        """The marks and the seal at a block's end."""
        if self.page_packing:
            self.left_at, self.sealing_at = self.block_bytes - self.page_bytes, self.block_bytes - 2 * self.page_bytes
            self.seal_end = self.sealing_at
        else:
            self.left_at = self.block_bytes - self.mark_bytes
            self.sealing_at = self.seal_end = self.left_at - self.mark_bytes
        # with page packing behind SEALING, in the same page: nothing else is ever programmed there
        self.killing_at = self.left_at - self.mark_bytes if self.page_packing else self.left_at
        self.seal_at = self.seal_end - self.padded(SEAL_BYTES)

    @lru_cache(1024)  # noqa: B019 - `layout_of` keeps only a few layouts anyway
    def place(self, at: int, statement_length: int) -> Place:
        """The place that begins with the page at address `at`, for a statement of this length. With page packing the
        FENCE has a page of its own, and END and the marks have one, since a cut may spoil a page."""
        if (at, statement_length) not in self._places:
            self._places[at, statement_length] = self._place(at, statement_length)
        return self._places[at, statement_length]

    def _place(self, at: int, statement_length: int) -> Place:
        if self.page_packing:
            statement = at + (self.page_bytes if at else 0)  # the first one of a block needs no FENCE
            end = align_up(statement + statement_length, self.page_bytes)
            frames = align_up(end + self.padded(END_BYTES) + 3 * self.mark_bytes, self.page_bytes)
            sure, doubted, following = (frames - more * self.mark_bytes for more in (3, 2, 1))
            return Place(at, statement, end, sure, doubted, following, frames)
        end = at + self.mark_bytes
        sure = end + self.padded(END_BYTES)
        doubted, following, statement = (sure + more * self.mark_bytes for more in (1, 2, 3))
        frames = align_up(statement + statement_length, self.step)
        return Place(at, statement, end, sure, doubted, following, frames)

    @property
    def marks_bytes(self) -> int:
        """The marks of a place with END and, without page packing, the header of its statement: they stand in one page,
        so that no mark of another page can be taken for one of them."""
        if self.page_packing:
            return self.padded(END_BYTES) + 3 * self.mark_bytes
        return self.place(0, 0).statement + HEADER_BYTES

    @property
    def end_at(self) -> int:
        """Where an END stands in its page."""
        return 0 if self.page_packing else self.place(0, 0).end

    def statement_room(self, left: int, inner_bytes: int) -> int:
        """The most bytes from where a frame may start to what follows a statement on the next page, which tells of so
        many blocks without a seal."""
        return self.place(self.page_bytes, statement_bytes(self.heads, left, inner_bytes)).frames

    def places(self, begin: int = 0) -> range:
        """The pages from `begin` on at which a place may begin. No statement reaches what stands at a block's end."""
        return range(begin, self.room_end() - self.first + 1, self.page_bytes)

    def programs_before(self, place: Place) -> int:
        """Programs of the page in which the first frame behind a statement begins."""
        if place.frames % self.page_bytes == 0:
            return 0
        return PLACE_PROGRAMS if place.frames // self.page_bytes == place.fence // self.page_bytes else 1

    def place_of(self, said: Statement) -> Place:
        """The place of a statement that was found."""
        return self.place(said.at, said.stop - said.address)

    def statement_at(self, at: int) -> int:
        """Where the frame of a statement stands whose place begins with the page at address `at`."""
        return self.place(at, 0).statement

    def place_at(self, statement: int) -> int:
        """Where the place begins whose statement stands at this address."""
        page = statement - statement % self.page_bytes
        return page - self.page_bytes if self.page_packing and page else page

    def _block_room(self) -> int:
        """The least that a block holds of relocated frames, whatever their sizes."""
        room = self.room_end() - self.first
        if self.whole_pages:
            room = room // self.page_bytes * self.page_bytes
        if self.page_packing:
            return room
        return room - self.frame_cost(max(self.split_bytes_min, self.name_bytes))

    def room_end(self, run_count: int = 0) -> int:
        """Where frames have to end, in a block that lists so many runs if it can."""
        listed = run_count if run_count <= self.runs_max else 0
        end = self.seal_at - listed * ENTRY_BYTES
        return end - end % self.page_bytes if self.whole_pages else end

    def pitch(self, payload_bytes: int) -> int:
        """From where a frame starts to where the next one may."""
        return align_up(FRAME_BYTES + payload_bytes, self.step)

    def padded(self, size: int) -> int:
        """`size` bytes in whole program units."""
        return align_up(size, self.unit_bytes)

    def left_in_page(self, address: int) -> int:
        """Bytes from an address to the end of its page."""
        return self.page_bytes - address % self.page_bytes

    def programs_max(self, payload_bytes: int) -> int:
        """Programs of a frame that a write buffer holds, wherever it starts: one a page."""
        return (self._sizes[payload_bytes] + 2 * self.page_bytes - 2) // self.page_bytes

    def placed(self, at: int, lengths: Sequence[int], room_bytes: int) -> Placed:
        """Frames with payloads of these lengths, which a write buffer holds, as many as fit from the first on, and
        maybe none; that one starts at address `at`."""
        starts = list(accumulate(map(self.pitches.__getitem__, lengths), initial=at % self.page_bytes))
        end = starts[0] + room_bytes
        count = bisect_right(starts, end) - 1
        if count < len(lengths) and starts[count] + FRAME_BYTES + lengths[count] <= end:
            count += 1  # where the next one could not start within the room
        sizes = list(map(self._sizes.__getitem__, lengths[:count]))
        return _placed(starts[:count], starts[count], sizes, self.page_bytes)

    def placed_alike(self, at: int, length: int, count: int) -> Placed:
        """The same for payloads of one length."""
        pitch, size = self.pitches[length], self._sizes[length]
        return _placed_alike(at % self.page_bytes, pitch, size, count, self.page_bytes)

    def frame_cost(self, payload_bytes: int) -> int:
        """Room that a frame takes, up to where the next may start; its share of the page when programs of a page are
        limited."""
        return max(self.pitch(payload_bytes), self.cost_min)

    def cost(self, length: int) -> int:
        """The room that `length` bytes of one run take when they are written in as few frames as possible."""
        full, rest = divmod(length, self.buffer_bytes)
        return full * self.full_cost + self.costs[rest]


def _placed(starts: Sequence[int], end: int, sizes: Sequence[int], page_bytes: int) -> Placed:
    """Frames of these sizes, in whole program units; addresses count from the start of a page."""
    crossed: dict[int, int] = {}
    for page in range(page_bytes, end, page_bytes):
        index = bisect_left(starts, page) - 1
        if page < starts[index] + sizes[index]:
            crossed[index] = crossed.get(index, 0) + 1
    alike = Counter(crossed.values())
    alike[0] = len(starts) - len(crossed)
    programs = tuple((1 + more, count) for more, count in sorted(alike.items()) if count)
    total = len(starts) + sum(crossed.values())
    return Placed(len(starts), end - starts[0] if starts else 0, sum(sizes), total, crossed, programs)


@lru_cache(maxsize=4096)
def _placed_alike(at: int, pitch: int, size: int, count: int, page_bytes: int) -> Placed:
    end = at + count * pitch
    return _placed(range(at, end, pitch), end, [size] * count, page_bytes)


@lru_cache(16)
def layout_of(geometry: Geometry, config: StoreConfig) -> Layout:
    """The layout of a store with these settings, which never changes."""
    return Layout(geometry, config)


def buffer_bytes(config: StoreConfig, page_bytes: int) -> int:
    """The write buffer: as set, else 256 bytes, or what fills one page with its frame."""
    if config.buffer_bytes is not None:
        return config.buffer_bytes
    return page_bytes - FRAME_BYTES - U32.size if config.packing == "page" else 256  # a hole says where it begins
