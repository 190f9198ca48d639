"""Mounting: finds everything on the flash. First it looks at the blocks, then it settles what a power cut left
uncertain. Then come the claims on names, and the runs of the files that these leave, in the order of their sequence
numbers."""

from __future__ import annotations

from collections.abc import Callable

from simfs.flash import NorFlash
from simfs.store.format.errors import CorruptStore
from simfs.store.log.state import Finding, StoreState
from simfs.store.mounting.block_reader import Look, Remembering
from simfs.store.mounting.rebuild import replay
from simfs.store.mounting.survey import Survey, survey
from simfs.store.recovery.recover import recover
from simfs.store.recovery.tail import Tail

Find = Callable[[NorFlash], Survey]
"""Finds what is on a flash, as `survey` does."""


def load(flash: NorFlash, writable: bool, find: Find = survey) -> StoreState:
    """The state of the store on the flash. Reads some 140 bytes a block, the seals with their run entries, the blocks
    that list none, and the frames that make claims on names. If `writable`, it settles what a power cut left uncertain
    by writing; a second mount has nothing to settle and writes nothing. `find` may remember what it found
    before. CorruptStore when there is no store, or, if `writable`, when anything of it can't be read."""
    found = find(flash)
    doubts = found.state.doubts  # nothing of them is left to see once it is settled
    look = found.look
    if writable:
        look = Remembering(look)
        found = settle(found, look, find)
    replay(found, look)
    if writable:
        refuse_damage(found.state)
    found.state.doubts = doubts
    found.state.log.sleep()
    return found.state


def settle(found: Survey, look: Look, find: Find = survey) -> Survey:
    """What a mount finds once everything is settled. CorruptStore when something is damaged; OutOfBlocks."""
    flash = found.state.flash
    refuse_damage(found.state)
    tries = len(found.state.blocks)  # more than one only where blocks fail
    while not (tail := Tail(found)).is_settled():
        if not tries:
            raise found.state.blocks.exhausted()
        replay(found, look)  # whatever is damaged is found before anything is written
        refuse_damage(found.state)
        recover(tail)
        found, tries = find(flash), tries - 1
        refuse_damage(found.state)
    return found


def refuse_damage(state: StoreState) -> None:
    """CorruptStore that names the place of the first damage, if there is any that is certain."""
    for damage in filter(is_certain, state.damages):
        block, within = divmod(damage.begin, state.layout.block_bytes)
        whose = "".join(f", file {name!r}" for name in damage.names)
        raise CorruptStore(
            f"damaged: {damage.what}{whose}, block {block} from byte {within} on (flash address {damage.begin:#x}); "
            "`simfs image extract` gives what is sound",
            damage.begin,
        )


def is_certain(damage: Finding) -> bool:
    return damage.certain
