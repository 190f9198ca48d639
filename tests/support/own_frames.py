"""Which frames on a flash a file consists of: what a damage must not reach if the file is to be read as it was."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from simfs import NorFlash, Store
from simfs.flash.faults import FaultHooks
from simfs.store.format.codec import FRAME_BYTES
from simfs.store.log.state import StoreState
from simfs.store.tables.spans import FileNode


@dataclass
class OwnFrames:
    """The newest claim of a file's name, and for each of its bytes the frame that holds it: addresses of the flash."""

    claim: range
    holders: list[range]

    def hit(self, begin: int, end: int) -> bool:
        """Whether any of its frames has a byte from `begin` up to `end`."""
        return any(frame.start < end and begin < frame.stop for frame in {self.claim, *self.holders})

    def hurt(self, begin: int, end: int) -> list[bool]:
        """For each byte of the file whether the frame that holds it has one."""
        return [frame.start < end and begin < frame.stop for frame in self.holders]


class LastRead(FaultHooks):
    """Notes what was read last."""

    noted: range | None = None

    def before_read(self, cells: Any, address: int, length: int) -> None:
        self.noted = range(address, address + length)


def own_frames(flash: NorFlash) -> dict[str, OwnFrames]:
    """The frames of each file of a sound store, by name. Every byte is read alone: the frame that holds it is what is
    read last."""
    noted = LastRead()
    store = Store.mount(NorFlash.from_image(flash.image(), datasheet=flash.datasheet, faults=noted), read_only=True)
    state, found = store.volume.state, {}
    for name in store.names():
        node = state.files[store.name_rules.key(name.encode())]
        found[name] = OwnFrames(_frame_at(state, node.name_place), _holders(state, node, noted))
    return found


def _holders(state: StoreState, node: FileNode, noted: LastRead) -> list[range]:
    holders = []
    for start, end, place in state.index.pieces(node, 0, node.size):
        if place < 0:  # zeros
            holders += [_frame_at(state, -place)] * (end - start)
            continue
        for at in range(start, end):
            state.reader.span(node.number, place, at, at + 1)
            assert noted.noted is not None
            holders.append(noted.noted)
    return holders


def _frame_at(state: StoreState, address: int) -> range:
    frame, _ = state.reader.frame(address)
    return range(address, address + FRAME_BYTES + frame.length)
