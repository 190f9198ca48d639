"""A new store. Over a sound old one it is a change of block like any other, whose statement says that nothing else was
ever used: until it is whole the old store is there, then the new one."""

from __future__ import annotations

from contextlib import suppress

from simfs.flash import FlashError, NorFlash
from simfs.store.format.codec import NO_BLOCK, NUMBER_MAX
from simfs.store.format.config import StoreConfig
from simfs.store.format.errors import CorruptStore, OutOfBlocks
from simfs.store.format.settings import check_fit, settings_of
from simfs.store.format.statement import Statement, encode_statement
from simfs.store.log.marks import program_mark, program_statement
from simfs.store.log.state import StoreState
from simfs.store.mounting.block_reader import PLAINLY
from simfs.store.mounting.survey import Survey, survey
from simfs.store.recovery.mount import settle
from simfs.store.recovery.move import kill

FORMAT_GAP = 1 << 40  # from the numbers of the old store to those of the new one


def format_store(flash: NorFlash, config: StoreConfig) -> None:
    """Write a new, empty store. Costs one erase, a few programs, and what a mount reads. ValueError when no such store
    fits the flash; CorruptStore when no block of it can be written."""
    check_fit(flash.geometry, config)
    old = _old_store(flash)
    state = StoreState(flash, config, settings_of(config, flash.geometry))
    number = 1
    if old is not None:
        state.blocks.erase_count = list(old.state.blocks.erase_count)
        number = old.state.log.sequence + FORMAT_GAP
        if number >= NUMBER_MAX:
            raise CorruptStore("the store on this flash has used up its sequence numbers; erase the flash")
    for block in _places(old, len(state.blocks)):
        if old is not None and old.is_sound and old.said.named:
            tried = old.state.segments.is_left
            _unsettle(old)
            old.state.segments.mark_left()
        else:
            tried = True
        if _state_in(state, block, number, tried):
            return
        number += FORMAT_GAP
    raise CorruptStore("no erase block of this flash can be written")


def _old_store(flash: NorFlash) -> Survey | None:
    """The store on the flash, settled, so that the blocks which it names stay dead whatever a cut leaves of the format;
    as it is, where it can't be settled."""
    try:
        found = survey(flash)
    except CorruptStore:
        return None
    with suppress(CorruptStore, OutOfBlocks):
        return settle(found, PLAINLY)
    return found


def _unsettle(old: Survey) -> None:
    """NEXT in the old store's lead: should a cut leave it to rule, the next mount makes harmless what was tried in the
    blocks that it names."""
    layout, lead = old.state.layout, old.ruling.lead
    with suppress(FlashError):
        program_mark(old.state.flash, layout, lead * layout.block_bytes + layout.place_of(old.said).next)


def _places(old: Survey | None, block_count: int) -> list[int]:
    """The blocks to try: those that an old store names as dead; any, if there is no sound one."""
    if old is not None and old.is_sound and old.said.named:
        return list(old.said.named)
    return list(range(block_count))


def _state_in(state: StoreState, block: int, number: int, tried: bool) -> bool:
    blocks = state.blocks
    try:
        if tried:
            kill(state.flash, state.layout, block)
        state.segments.erase(block)
    except FlashError:
        return False
    first, second = ((block + more) % len(blocks) for more in (1, 2))
    said = Statement(
        state.segments.settings, number, 0, blocks.erase_count[block], max(blocks.erase_count), 0,
        first, blocks.erase_count[first], second, blocks.erase_count[second], block, 3, NO_BLOCK, 0,
        number % (1 << 32), number * (block + 1) % (1 << 32),
    )  # fmt: skip
    raw = encode_statement(block, said)
    try:
        program_statement(state.log, block, state.layout.place(0, len(raw)), raw, said, goes_on=False)
    except FlashError:
        return False
    return True
