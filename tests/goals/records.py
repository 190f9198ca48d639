"""Which record a program writes, told from its place and its bytes alone."""

from __future__ import annotations

from collections.abc import Iterable

from simfs.store.format.codec import END_BYTES, FRAME_BYTES, HEAD, KINDS, SEAL_BYTES, Kind, decode_end
from simfs.store.format.layout import Layout

ERASE = "erase"
FENCE, SURE, DOUBTED, NEXT, SEALING, LEFT = MARKS = ("FENCE", "SURE", "DOUBTED", "NEXT", "SEALING", "LEFT")
END, REST, KILL = "END", "rest of a frame", "statement killed"
RECORDS = [
    *MARKS, END, "END and NEXT", *(f"{kind.name} frame" for kind in Kind), REST, "run entries", "seal", KILL,
]  # fmt: skip


def records_of(changes: Iterable[tuple[int, bytes | None]], layout: Layout) -> list[str]:
    """The record that each change writes; ERASE for an erase. A frame's part beyond a page end is the rest of it, run
    entries without the seal stand apart, as they do where that begins a page."""
    found: list[str] = []
    begun: dict[int, bytes] = {}  # where a frame goes on: what there is of it before
    for address, data in changes:
        block, at = divmod(address, layout.block_bytes)
        if data is None:
            begun.clear()
            found.append(ERASE)
        elif not any(data):
            found.append(_mark(at, len(data), layout))
        elif address in begun or (data[0] in KINDS and not _is_end(data, block)):
            before = begun.pop(address, b"")
            whole = before + data
            if len(whole) < HEAD.size or len(whole) < FRAME_BYTES + HEAD.unpack_from(whole)[1]:
                begun[address + len(data)] = whole
            found.append(REST if before else f"{Kind(data[0]).name} frame")
        elif _is_end(data, block):
            found.append(END if len(data) <= layout.padded(END_BYTES) else "END and NEXT")
        elif at + len(data) == layout.seal_end and len(data) <= layout.padded(SEAL_BYTES):
            found.append("seal")
        else:
            found.append("run entries")
    return found


def _is_end(data: bytes, block: int) -> bool:
    return decode_end(data[:END_BYTES], block) is not None


def _mark(at: int, length: int, layout: Layout) -> str:
    """What zeros are: a program unit of them is a mark."""
    if length > layout.mark_bytes:
        return KILL
    page, size = at - at % layout.page_bytes, layout.mark_bytes
    place = layout.place(page, 0)
    behind = page + layout.page_bytes - 3 * size if layout.page_packing else place.sure
    marks = {SURE: behind, DOUBTED: behind + size, NEXT: behind + 2 * size, FENCE: place.fence}
    if layout.page_packing and at == layout.killing_at:
        return KILL
    for name, begin in {LEFT: layout.left_at, SEALING: layout.sealing_at, **marks}.items():
        if begin <= at < begin + size:
            return name
    return KILL
