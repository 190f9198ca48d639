"""Bugs in what the store does block by block: erasing, sealing, settling after a cut, levelling, retiring."""

from __future__ import annotations

from tests.mutation.planted import Planted

CLEANER = "store/cleaning/test_cleaner.py::"
LOG = "store/log/test_heads.py::"
MOUNT = "store/mounting/test_mount.py::"
RULES = "store/log/test_rules.py::"

BUGS = [
    Planted(
        "a block is erased without the mark that discards it first",
        "simfs.store.log.block_change",
        "            if self.blocks.opened[block]:\n                self._discard(block)\n",
        "",
        RULES + "test_a_block_is_discarded_before_it_is_erased[1-False]",
    ),
    Planted(
        "a cleaned block is erased before the block that its frames went to is closed",
        "simfs.store.log.block_change",
        "if head is None or head.base >= freed_at[block]",
        "if head is None or head.base >= 0",
        CLEANER + "test_a_cleaned_block_is_not_erased_before_the_block_its_frames_went_to_is_closed",
    ),
    Planted(
        "an erase does not raise the block's count",
        "simfs.store.log.block_change",
        "min(self.blocks.erase_count[block] + 1, ERASE_COUNT_MAX)",
        "min(self.blocks.erase_count[block], ERASE_COUNT_MAX)",
        MOUNT + "test_erase_counts_survive_mounts_and_formats",
    ),
    Planted(
        "a cleaning forgets from when on its block may be erased",
        "simfs.store.cleaning.cleaner",
        "state.blocks.free(victim, state.log.sequence if moved else -1)",
        "state.blocks.free(victim, -1)",
        CLEANER + "test_a_cleaned_block_is_not_erased_before_the_block_its_frames_went_to_is_closed",
    ),
    Planted(
        "levelling moves the most worn block instead of the least worn",
        "simfs.store.cleaning.cleaner",
        "least, coldest = blocks.closed_by_wear[0]",
        "least, coldest = blocks.closed_by_wear[-1]",
        CLEANER + "test_levelling_moves_what_lies_still",
    ),
    Planted(
        "the zeros of a hole are left behind when its block is cleaned",
        "simfs.store.cleaning.cleaner",
        "elif place == -run.address:",
        "elif place == -run.address < -(1 << 30):",
        RULES + "test_cleaning_a_sound_block_leaves_nothing_in_it[1]",
    ),
    Planted(
        "idle work passes its budget",
        "simfs.store.cleaning.cleaner",
        "if erasable and left >= erase_ns:",
        "if erasable:",
        RULES + "test_idle_work_never_passes_its_budget_however_short",
    ),
    Planted(
        "a frame is given an order that does not fit 16 bits",
        "simfs.store.log.heads",
        "        if order > ORDER_MAX:\n            return False\n",
        "",
        LOG + "test_a_head_that_waits_too_long_takes_a_new_block",
    ),
    Planted(
        "a frame is programmed across a page end in one program",
        "simfs.store.format.layout",
        "return self.page_bytes - address % self.page_bytes\n",
        "return self.page_bytes\n",
        RULES + "test_settling_goes_on_in_a_page_that_was_not_in_flight",
    ),
    Planted(
        "settling forgets the second page that was in flight",
        "simfs.store.log.heads",
        "head.at = head.start + align_up(content_end - head.start, step)",
        "head.at = head.start + align_up(content_end - head.start - page, step)",
        RULES + "test_settling_goes_on_in_a_page_that_was_not_in_flight",
    ),
    Planted(
        "the log goes on behind a settled tail in the same page",
        "simfs.store.log.block_change",
        "again = self.log.fence(head, head.at, head.table.next_order) if head.quiet else 0",
        "again = 0",
        RULES + "test_what_comes_after_a_settled_tail_does_not_stand_in_its_page",
    ),
    Planted(
        "a frame that is written again does not take the first one away",
        "simfs.store.log.block_scan",
        "below = frame.order - frame.again",
        "below = frame.order",
        RULES + "test_a_frame_written_again_counts_once",
    ),
    Planted(
        "damage between sound frames is taken for the end of the log",
        "simfs.store.log.block_scan",
        "            if following is None:\n                break\n",
        "            if following is None or following % layout.page_bytes:\n                break\n",
        RULES + "test_damage_between_sound_frames_of_an_open_block_is_reported",
    ),
    Planted(
        "a seal is believed whatever its CRC says",
        "simfs.store.log.block_scan",
        "if seal_check(rows, raw, state.blocks.salt[block]) != check:",
        "if False:",
        RULES + "test_a_damaged_seal_is_not_believed",
    ),
    Planted(
        "a frame's header is believed whatever its check says",
        "simfs.store.format.codec",
        "if kind not in KINDS or crc32(raw[:14], salt) & 0xFFFF != check:",
        "if kind not in KINDS:",
        RULES + "test_a_damaged_header_does_not_lead_a_read_astray",
    ),
    Planted(
        "a mount gives sequence numbers out again",
        "simfs.store.mounting.survey",
        "state.log.sequence = next_sequence",
        "state.log.sequence = next_sequence - 2",
        RULES + "test_sequence_numbers_go_on_after_a_mount",
    ),
]
