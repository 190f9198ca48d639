"""How often each block was erased, as the statements have it."""

from __future__ import annotations

from simfs.store.log.state import StoreState
from simfs.store.mounting.lost_lead import is_left
from simfs.store.mounting.ruling import Ruling


def note_erase_counts(state: StoreState, ruling: Ruling) -> None:
    """A count lost in an erase: the highest is no understatement. A block that was never used has none."""
    said, blocks = ruling.statement, state.blocks
    counts = [life[2] if life is not None else None for life in ruling.lives]
    for block, scan in ruling.scans.items():
        if scan.statements:
            counts[block] = scan.statements[-1].erase_count
    most, used = max([said.erase_count_max, *filter(None, counts)]), ruling.used
    blocks.erase_count = [
        count if count is not None else most if block in used else 0 for block, count in enumerate(counts)
    ]
    named = sorted(((said.next_erase_count, said.next), (said.after_erase_count, said.after)))
    for count, block in named:
        if block < len(blocks):
            blocks.erase_count[block] = count
    size = state.layout.block_bytes
    blank = [block for _, block in named if block < len(blocks) and state.flash.blank(block * size, size)]
    if blank and is_left(ruling, state.layout):  # the log erases the least worn one ahead
        blocks.erase_count[blank[0]] += 1
    blocks.erase_count_max = max(blocks.erase_count)
