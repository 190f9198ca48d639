"""Reading a block as a mount and the cleaner see it: its runs, from the seal that lists them, else frame by frame."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from operator import attrgetter
from zlib import crc32

from simfs.store.format.codec import (
    CHECKED_BYTES,
    END_BYTES,
    FRAME_BYTES,
    HEADER,
    HEADER_BYTES,
    HOLE,
    INNER,
    KINDS,
    NOWHERE,
    SKIP,
    STATEMENT,
    U32,
    Frame,
    decode_end,
    decode_header,
    payload_is_sound,
    salt_of,
)
from simfs.store.format.layout import Layout, align_up
from simfs.store.format.runs import Run, RunTable, runs_listed
from simfs.store.format.statement import Statement, decode_statement
from simfs.store.log.frame_reader import damaged
from simfs.store.log.seal import read_listing
from simfs.store.log.state import StoreState

Stretch = tuple[int, int]
_FRAMES = KINDS - {STATEMENT}
_A_KIND = re.compile(b"[%b]" % re.escape(bytes(sorted(KINDS))))
_HEADER, _U32, _new = HEADER.unpack_from, U32.unpack_from, tuple.__new__


@dataclass(slots=True)
class Scan:
    """What stands in one block, found without anything else. Addresses are within the block.

    raw         all its bytes
    first       where frames begin behind a statement that carries nothing
    statements  all that can be read, in the order of their places
    frames      sound frames, SKIP and the inner ones of statements included, in the order of their addresses
    gaps        (from, to): stretches before a sound frame or a statement that hold anything else than these or blank
    end         where the next frame may begin behind the last sound frame or statement
    trace_end   where the last byte ends that is not blank
    skips       by address of a SKIP: from where on nothing before it counts
    stops       where each of these ends; what comes next begins there or on the next page
    ends        sequence numbers in END records whose statement can't be read, each with the page where it was found
    tables      what `table_of` has found, by its `stop`; `voided` what `voids` has
    """

    block: int
    raw: bytes
    first: int
    page_bytes: int
    statements: list[Statement] = field(default_factory=list)
    frames: list[Frame] = field(default_factory=list)
    gaps: list[Stretch] = field(default_factory=list)
    skips: dict[int, int] = field(default_factory=dict)
    ends: dict[int, int] = field(default_factory=dict)
    stops: list[int] = field(default_factory=list)
    end: int = 0
    trace_end: int = 0
    tables: dict[int, RunTable] = field(default_factory=dict, init=False, repr=False, compare=False)
    voided: dict[int, list[Stretch]] = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def base(self) -> int:
        return self.statements[0].base

    def voids(self, stop: int = NOWHERE) -> list[Stretch]:
        """The stretches before `stop` in which nothing counts. What says so comes after its stretch; the last comes
        first, since what is void itself says nothing."""
        if stop in self.voided:
            return self.voided[stop]
        said = [(one.at, one.end) for one in self.statements if one.end != NOWHERE] + list(self.skips.items())
        found = self.voided[stop] = []
        for at, begin in sorted(said, reverse=True):
            if at < stop and begin < at and not (found and found[-1][0] <= at):
                found.append((begin, at))
        return found

    def valid(self, stop: int = NOWHERE) -> list[Frame]:
        """The frames before `stop` that are not void."""
        frames = [frame for frame in self.frames if frame.address < stop]
        for begin, end in self.voids(stop):
            frames = [frame for frame in frames if not begin <= frame.address < end]
        return frames

    def counted(self, stop: int = NOWHERE) -> list[Frame]:
        """The same without SKIP frames, which say nothing else."""
        return [frame for frame in self.valid(stop) if frame.kind != SKIP]

    def counted_statements(self, stop: int = NOWHERE) -> list[Statement]:
        """The statements before `stop` that count."""
        stating = [one for one in self.statements if one.at < stop]
        for begin, end in self.voids(stop):
            stating = [one for one in stating if not begin <= one.at < end]
        return stating

    def damage(self, stop: int = NOWHERE, first: int = 0) -> tuple[int, int] | None:
        """The first stretch before `stop` that should hold frames and does not. What ends before `first` is a statement
        that says nothing which the seal does not."""
        voids = self.voids(stop)
        for begin, end in self.gaps:
            if begin < stop and end > first and not any(low <= begin and end <= high for low, high in voids):
                return begin, end
        for begin, _ in reversed(voids):
            before = max(at for at in self.stops if at <= begin)
            if begin not in (before, align_up(before, self.page_bytes)):  # what stood there reads as blank
                return before, begin
        return None


class _Scanner:
    """Walks over one block's bytes up to `stop`."""

    def __init__(self, raw: bytes, block: int, layout: Layout, base: int | None, stop: int) -> None:
        self.raw, self.layout, self.stop = raw, layout, stop
        self.within = raw[:stop]
        self.end = len(self.within.rstrip(b"\xff"))
        self.end_at, self.first_at = layout.end_at, layout.statement_at(0)
        self.later_at = layout.statement_at(layout.page_bytes) - layout.page_bytes
        self.salt = None if base is None else salt_of(block, base)
        self.found = Scan(block, raw, layout.first, layout.page_bytes, trace_end=self.end, stops=[0, layout.first])

    def walk(self) -> Scan:
        at = 0
        while at < self.end:
            behind = self._take_frames(at)
            at = behind if behind > at else self._go_on_after(at)
        return self.found

    def _take_frames(self, begin: int) -> int:
        """Take the sound frames in a row from an address on. Where the last one ends."""
        at, salt, found, step = begin, self.salt, self.found, self.layout.step
        while salt is not None and at + FRAME_BYTES <= self.stop:
            first, length, file, offset, check = _HEADER(self.raw, at)
            kind, body, end = first & 0xFF, at + HEADER_BYTES, at + HEADER_BYTES + length
            if kind not in _FRAMES or end + U32.size > self.stop or length > self.layout.payload_max:
                break
            crc = crc32(self.raw[at : at + CHECKED_BYTES], salt)
            if crc & 0xFFFF != check or crc32(self.raw[body:end], crc) != _U32(self.raw, end)[0]:
                break
            if kind in (SKIP, HOLE):
                if length < U32.size:
                    break
                if kind == SKIP:
                    found.skips[at] = _U32(self.raw, body)[0]
            if at == begin:
                self._note_gap(at)
            found.frames.append(_new(Frame, (kind, length, file, offset, first >> 8, at)))
            at = end + U32.size
            at += -at % step
            found.stops.append(at)
        if at > begin:
            found.end = at
        return at

    def frame_at(self, at: int, turned: int = 0) -> Frame | None:
        """The sound frame at an address, or None; with `turned` INNER, one within a statement."""
        raw = self.raw
        if self.salt is None or at + FRAME_BYTES > self.stop or raw[at] ^ turned not in KINDS or raw[at] == STATEMENT:
            return None
        frame = decode_header(raw[at : at + HEADER_BYTES], at, self.salt)
        if frame is None or at + FRAME_BYTES + frame.length > self.stop or frame.length > self.layout.payload_max:
            return None
        if frame.kind in (HOLE, SKIP) and frame.length < U32.size:
            return None
        whole = raw[at : at + FRAME_BYTES + frame.length]
        return frame if payload_is_sound(whole, frame.length, self.salt) else None

    def _take_statement(self, at: int) -> bool:
        """Take the statement whose place begins at this page, if there is a sound one."""
        address = at + (self.later_at if at else self.first_at)
        said = decode_statement(self.within, self.found.block, at, address)
        if said is None or (self.found.statements and said.base != self.found.base):
            self._note_end(at)
            return False
        self._note_gap(at)
        self.found.statements.append(said)
        self.salt = salt_of(self.found.block, said.base)
        inner = None if said.inner == NOWHERE else self.frame_at(said.inner, INNER)
        if inner is not None:
            self.found.frames.append(inner)
        place = self.layout.place(at, said.stop - said.address)
        self.found.end = min(place.frames, self.stop)
        self.found.stops.append(self.found.end)
        return True

    def _note_end(self, at: int) -> None:
        """Note an END record without its statement."""
        end = at + self.end_at
        number = decode_end(self.raw[end : end + END_BYTES], self.found.block)
        if number is not None:
            self.found.ends[number] = at

    def _go_on_after(self, at: int) -> int:
        """Where the walk goes on after an address that holds no sound frame: at the next page, where a statement, a
        SKIP or a frame may stand; anywhere in this page that holds a frame, which is damage."""
        page = align_up(at + 1, self.layout.page_bytes)
        if at % self.layout.page_bytes == 0 and self._take_statement(at):
            return self.found.end
        for begun in _A_KIND.finditer(self.raw, at + 1, min(page, self.end)):
            if begun.start() % self.layout.step == 0 and self.frame_at(begun.start()):
                return begun.start()
        return page

    def _note_gap(self, at: int) -> None:
        """Anything but blank since the last sound frame or statement."""
        between = self.raw[self.found.end : at].lstrip(b"\xff")
        if between:
            self.found.gaps.append((at - len(between), at))


def scan(raw: bytes, block: int, layout: Layout, base: int | None = None) -> Scan:
    """What stands in a block's bytes, before the marks at its end. `base`: where a seal or a claim has it, in case
    that the first statement can't be read."""
    found = _Scanner(raw, block, layout, base, layout.seal_end).walk()
    if base is None and found.statements and found.statements[0].at:  # frames may stand before it
        return _Scanner(raw, block, layout, found.base, layout.seal_end).walk()
    return found


def read_scan(state: StoreState, block: int) -> Scan:
    """The same of a block of a mounted store. One read of the block."""
    layout = state.layout
    raw = state.flash.read(block * layout.block_bytes, layout.block_bytes)
    return scan(raw, block, layout, state.blocks.base[block])


def runs_of(state: StoreState, block: int) -> list[Run]:
    """The runs of a closed block. CorruptStore when its frames are damaged."""
    stop = state.blocks.left_end.get(block)
    listing = read_listing(state.flash, state.layout, block) if stop is None else None
    if listing is not None and listing[1] is not None:
        return runs_listed(listing[1], block * state.layout.block_bytes)
    found = read_scan(state, block)
    stop = listing[0].end if listing is not None else stop
    stop = NOWHERE if stop is None else stop
    hurt = hurt_in(found, stop, listing is not None)
    if hurt is not None:
        raise damaged(block * state.layout.block_bytes + hurt[0], state.layout)
    return table_of(state.layout, found, stop).runs


def hurt_in(found: Scan, stop: int, sealed: bool) -> tuple[int, int] | None:
    """The first stretch before `stop` that should hold frames and can't be read; frames reach up to there, if it is
    anywhere. The statement of a `sealed` block may be gone."""
    hurt = found.damage(stop, found.first if sealed else 0)
    if hurt is None and stop != NOWHERE and found.raw[found.end : stop].strip(b"\xff"):
        return found.end, stop
    return hurt


def table_of(layout: Layout, found: Scan, stop: int = NOWHERE) -> RunTable:
    """The runs of the frames before `stop` that count, for the caller to go on with."""
    if stop not in found.tables:
        found.tables[stop] = _table(layout, found, stop)
    return found.tables[stop].copy()


def _table(layout: Layout, found: Scan, stop: int) -> RunTable:
    table, start = RunTable(), found.block * layout.block_bytes
    inner = {one.inner for one in found.statements}
    stating = [Frame(STATEMENT, 0, 0, 0, one.order, one.address) for one in found.counted_statements(stop) if one.left]
    frames = found.counted(stop)
    for kind, length, file, offset, order, address in sorted(frames + stating, key=attrgetter("address")):
        if address in inner:  # it stands in a statement, not behind the frame before
            table.current.clear()
        size = length - U32.size if kind == HOLE else length
        table.add(kind, start + address, order, size, file, offset)
    return table
