"""What is left in an image, block by block, whether it mounts or not: the frames that are sound and count, and the
places where something stands that no store would have written."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import NamedTuple

from simfs.bridges.images.source import BadImage, Image
from simfs.flash import NorFlash
from simfs.store.format.codec import (
    FRAME_BYTES,
    HEADER_BYTES,
    KINDS,
    NO_BLOCK,
    ORDER_MAX,
    U32,
    Frame,
    Kind,
    Seal,
    decode_header,
    payload_is_sound,
)
from simfs.store.format.errors import CorruptStore
from simfs.store.format.headers import Header, read_header, stated_by
from simfs.store.format.runs import Run
from simfs.store.format.settings import config_of
from simfs.store.log.block_scan import Frames, read_frames, read_seal
from simfs.store.log.state import StoreState
from simfs.store.mounting.found_block import by_base

NO_FRAME = "no sound frame; "
_DATA = (Kind.DATA, Kind.HOLE)


class Left(NamedTuple):
    """A frame that is sound and counts. `payload` is None if only its header is left, or the entry of its run: then
    `length` bytes of the file are lost."""

    sequence: int
    kind: int
    file: int
    offset: int
    length: int
    payload: bytes | None


@dataclass(frozen=True, slots=True)
class Damage:
    """Bytes of the store, `start` to `end`, that should be something else.

    told      all that stood there is known, and is in `lost` of its block; of a HOLE it never is, since its contents
              say where its zeros begin
    harmless  a power cut leaves this, and nothing acknowledged is in it
    """

    block: int
    start: int
    end: int
    what: str
    told: bool = False
    harmless: bool = False


@dataclass(slots=True)
class BlockLeft:
    """One erase block. state: "blank", "ready", "discarded", "open", "sealed", "left" (without a seal), "bad" or
    "no header"."""

    number: int
    state: str
    base: int = 0
    head: int = 0
    frames: list[Left] = field(default_factory=list)
    lost: list[Left] = field(default_factory=list)
    damage: list[Damage] = field(default_factory=list)
    tries: int = 0


def read_blocks(image: Image) -> list[BlockLeft]:
    """Every block with what counts in it. One read of the image. BadImage when its settings are impossible."""
    flash = image.flash()
    try:
        state = StoreState(flash, config_of(image.record), image.record)
    except CorruptStore as error:
        raise BadImage(f"{image.path}: {error.strerror}") from None
    blocks = [_read_block(state, number) for number in range(flash.geometry.block_count)]
    leave_out(blocks)
    stated = {image.record.opened, image.record.opened_too} - {NO_BLOCK}
    for number in stated & {block.number for block in blocks if block.state in ("no header", "blank", "ready")}:
        block = blocks[number]
        size = flash.geometry.block_bytes
        what = "its header is damaged, and it held what was written last"
        block.damage = [Damage(number, number * size, (number + 1) * size, what)]
    return blocks


def _read_block(state: StoreState, number: int) -> BlockLeft:
    flash, size = state.flash, state.layout.block_bytes
    start = number * size
    try:
        header = read_header(flash, number, size)
    except CorruptStore as error:
        return BlockLeft(number, "no header", damage=[Damage(number, start, start + size, error.strerror or "")])
    if not header.opened or header.discarded:
        return _unused(flash, header, start, size)
    state.blocks.salt[number], state.blocks.base[number] = header.salt, header.base
    seal, runs = read_seal(state, number) or (None, None)
    block = BlockLeft(number, "left" if seal is None else "sealed", header.base, header.head, tries=header.tries)
    if stated_by(header.stated) is None:
        block.damage.append(Damage(number, start, start + size, "its open record is damaged; its copy serves", True))
    found = read_frames(state, number, size if seal is None else seal.end)
    _take_frames(state, block, found)
    if seal is not None:
        _against_seal(state, block, found, seal, runs)
    else:
        end = min(found.content_end, start + size)  # a torn header may announce more than fits
        if end > found.end and not flash.blank(found.end, end - found.end):
            what = "a frame or a seal that was cut, or damaged: no one can tell"
            block.damage.append(Damage(number, found.end, end, what, harmless=True))
    return block


def _unused(flash: NorFlash, header: Header, start: int, size: int) -> BlockLeft:
    number = header.block
    if header.discarded:
        return BlockLeft(number, "discarded")
    if header.ready:
        return BlockLeft(number, "ready")
    if flash.blank(start, size):
        return BlockLeft(number, "blank")
    what = "no sound header: an erase that was cut, or damage; what stands in it has no place in the order"
    return BlockLeft(number, "no header", damage=[Damage(number, start, start + size, what)])


def _take_frames(state: StoreState, block: BlockLeft, found: Frames) -> None:
    """The frames that count, by the rule of a mount: going from the newest backwards, a frame written again voids what
    it replaces. A gap that no frame declares void is damage."""
    gap_starts = {end: start for start, end in found.gaps}
    below, declared = ORDER_MAX + 1, False
    sound: list[Frame] = []
    for frame in reversed(found.frames):
        sound.append(frame)
        if frame.order < below:
            block.frames.append(_read(state, block, frame))
            below, declared = frame.order - frame.again, frame.again > 0
        gap = gap_starts.get(frame.address)
        if gap is not None and not declared and not state.flash.blank(gap, frame.address - gap):
            between = _look_into(state, block, gap, frame.address)
            block.frames += [_read(state, block, frame) for frame in between]
            sound += between
    block.frames.reverse()
    found.frames = sound[::-1]


def _read(state: StoreState, block: BlockLeft, frame: Frame) -> Left:
    return _left(block, frame, state.flash.read(frame.address + HEADER_BYTES, frame.length))


def _left(block: BlockLeft, frame: Frame, payload: bytes | None) -> Left:
    prefix = U32.size if frame.kind == Kind.HOLE else 0
    length = max(frame.length - prefix, 0)
    return Left(block.base + frame.order, frame.kind, frame.file, frame.offset, length, payload)


def _look_into(state: StoreState, block: BlockLeft, start: int, end: int) -> list[Frame]:
    """Note damage between sound frames. Frames within it may be sound all the same, since a mount goes on at the next
    page if it can. A sound header still says what its frame was. Gives the sound ones, the last first."""
    raw = state.flash.read(start, end - start)
    salt, sound = state.blocks.salt[block.number], []
    at = after = 0
    while at + HEADER_BYTES <= len(raw):
        frame = decode_header(raw[at : at + HEADER_BYTES], start + at, salt) if raw[at] in KINDS else None
        stop = len(raw) + 1 if frame is None else at + FRAME_BYTES + frame.length
        short = frame is not None and frame.kind == Kind.HOLE and frame.length < U32.size  # no store writes that
        if frame is None or short or stop > len(raw):
            at += 1
            continue
        _note_unknown(block, start + after, raw[after:at])
        if payload_is_sound(raw[at:stop], frame.length, salt):
            sound.append(frame)
        else:
            block.lost.append(_left(block, frame, None))
            what = f"contents of a {Kind(frame.kind).name} frame: {_whose(block.lost[-1])}"
            told = frame.kind != Kind.HOLE
            block.damage.append(Damage(block.number, frame.address, start + stop, what, told=told))
        at = after = stop
    _note_unknown(block, start + after, raw[after:])
    return sound[::-1]


def _note_unknown(block: BlockLeft, start: int, raw: bytes) -> None:
    if raw.strip(b"\xff"):
        what = NO_FRAME + "nothing says what stood there"
        block.damage.append(Damage(block.number, start, start + len(raw), what))


def _whose(lost: Left) -> str:
    if lost.kind in _DATA:
        return f"file {lost.file}, bytes {lost.offset:,} to {lost.offset + lost.length:,}"
    return f"of file {lost.file}" if lost.kind != Kind.MARK else "it says nothing"


def _against_seal(state: StoreState, block: BlockLeft, found: Frames, seal: Seal, runs: list[Run] | None) -> None:
    """A seal says where the frames end, and usually lists the runs: what no sound frame has of them is lost."""
    end = block.number * state.layout.block_bytes + seal.end
    if end > found.end and not state.flash.blank(found.end, end - found.end):
        for frame in reversed(_look_into(state, block, found.end, end)):
            block.frames.append(_read(state, block, frame))
            found.frames.append(frame)
    if runs is None or not block.damage:
        return
    block.lost = [lost for run in runs for lost in _lost_of(block, run, found)]
    told = all(lost.kind != Kind.HOLE for lost in block.lost)
    block.damage = [
        replace(hurt, told=told, what=NO_FRAME + "the seal says what stood there")
        if hurt.what.startswith(NO_FRAME)
        else hurt
        for hurt in block.damage
    ]


def _lost_of(block: BlockLeft, run: Run, found: Frames) -> list[Left]:
    """The bytes of a listed run that no sound frame of the block has. A frame of another kind is there or not."""
    sequence = block.base + run.order
    there = any(frame.address == run.address for frame in found.frames)
    if run.kind not in _DATA:
        return [] if there else [Left(sequence, run.kind, run.file, run.offset, 0, None)]
    end = run.offset + run.length
    lost = [] if there or run.kind == Kind.DATA else [Left(sequence, run.kind, run.file, run.offset, 0, None)]
    at = run.offset
    for frame in found.frames:
        if frame.file != run.file or frame.kind not in _DATA or frame.order < run.order or frame.offset >= end:
            continue
        if frame.offset > at:
            lost.append(Left(sequence, Kind.DATA, run.file, at, frame.offset - at, None))
        at = max(at, frame.offset + frame.length - (U32.size if frame.kind == Kind.HOLE else 0))
    if at < end:
        lost.append(Left(sequence, Kind.DATA, run.file, at, end - at, None))
    return lost


def leave_out(blocks: list[BlockLeft]) -> None:
    """Leave out frames that do not count because of other blocks: in a block left without a seal, those as new as the
    block that its head opened next; in a bad block, all. The newest block of a head is open."""
    following: dict[int, int] = {}
    used = [block for block in blocks if block.frames or block.state == "sealed"]
    for block in sorted(used, key=by_base, reverse=True):
        below = following.get(block.head)
        newest = max((frame.sequence for frame in block.frames), default=0)
        if block.state == "left" or (below is not None and below <= newest):
            if below is None:
                block.state = "open"
            else:
                block.state = "left"  # what reads as a seal was cut without a trace
                block.frames = [frame for frame in block.frames if frame.sequence < below]
                block.lost = [frame for frame in block.lost if frame.sequence < below]
        following[block.head] = block.base
    for number in {frame.file for block in blocks for frame in block.frames if frame.kind == Kind.BAD}:
        if number < len(blocks) and blocks[number].state != "open":
            blocks[number] = BlockLeft(number, "bad")
