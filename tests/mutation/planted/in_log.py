"""Bugs in what the store does block by block: erasing, sealing, settling after a cut, levelling, retiring."""

from __future__ import annotations

from tests.mutation.planted import Planted

CLEANER = "store/cleaning/test_cleaner.py::"
LOG = "store/log/test_heads.py::"
LOST_LEAD = "store/mounting/test_lost_lead.py::"
MARKS = "store/log/test_marks.py::"
MENDED = "store/mounting/test_mended.py::"
MOUNT = "store/mounting/test_mount.py::"
REACH = "store/mounting/test_reach.py::"
RULING = "store/mounting/test_ruling.py::"
RULES = "store/log/test_rules.py::"
SCAN = "store/log/test_block_scan.py::"

BUGS = [
    Planted(
        "an erase does not raise the block's count",
        "simfs.store.log.segments",
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
        "simfs.store.cleaning.mover",
        "elif place == -run.address:",
        "elif place == -run.address < -(1 << 30):",
        RULES + "test_cleaning_a_sound_block_leaves_nothing_in_it[1]",
    ),
    Planted(
        "idle work passes its budget",
        "simfs.store.cleaning.cleaner",
        "if left >= erase_ns and state.segments.erase_ahead():",
        "if state.segments.erase_ahead():",
        RULES + "test_idle_work_never_passes_its_budget_however_short",
    ),
    Planted(
        "a frame is given an order that does not fit 20 bits",
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
        RULES + "test_a_recovery_goes_on_in_a_page_that_was_not_in_flight",
    ),
    Planted(
        "damage between sound frames is taken for the end of the log",
        "simfs.store.log.block_scan",
        "        if between:\n            self.found.gaps",
        "        if not between:\n            self.found.gaps",
        RULES + "test_damage_between_sound_frames_of_an_open_block_is_reported",
    ),
    Planted(
        "a seal is believed whatever its CRC says",
        "simfs.store.log.seal",
        "sound = sound and seal_check(raw, salt_of(block, base))",
        "pass",
        RULES + "test_a_damaged_seal_is_not_believed",
    ),
    Planted(
        "a frame's header is believed whatever its check says",
        "simfs.store.format.codec",
        "if crc32(raw[:CHECKED_BYTES], salt) & 0xFFFF != check:",
        "if False:",
        RULES + "test_a_damaged_header_does_not_lead_a_read_astray",
    ),
    Planted(
        "a mount gives sequence numbers out again",
        "simfs.store.mounting.survey",
        "state.log.sequence = last + 1",
        "state.log.sequence = last - 1",
        RULES + "test_sequence_numbers_go_on_after_a_mount",
    ),
    Planted(
        "a cleaned block is erased before the block that its frames went to is closed",
        "simfs.store.log.segments",
        "return head is not None and self.blocks.freed_at[block] > head.base",
        "return False",
        CLEANER + "test_a_cleaned_block_is_not_erased_before_the_block_its_frames_went_to_is_closed",
    ),
    Planted(
        "a newest statement with a flipped bit is left to an older one",
        "simfs.store.mounting.ruling",
        "if again is not None and _counts(layout, again):",
        "if again is None and said is None:",
        MENDED + "test_a_flipped_bit_in_the_newest_statement_costs_nothing[30-one head]",
    ),
    Planted(
        "a newest block with older content is taken for one whose erase was cut",
        "simfs.store.mounting.lost_lead",
        "if all(scan.statements for scan in scans):",
        "if not any(scan.statements for scan in scans):",
        LOST_LEAD + "test_a_newest_block_with_older_content_is_told[1]",
    ),
    Planted(
        "LEFT alone is taken for the word that a named block was blank",
        "simfs.store.mounting.lost_lead",
        "if ruling.statement.named and _is_sealed(ruling, state):",
        "if ruling.statement.named:",
        LOST_LEAD + "test_behind_a_block_without_a_seal_nobody_can_tell",
    ),
    Planted(
        "a doubt of the newest block shuts the store",
        "simfs.store.recovery.mount",
        "in filter(is_certain, state.damages):",
        "in state.damages:",
        LOST_LEAD + "test_a_newest_block_that_is_zeroed_is_told_and_a_mount_to_write_goes_on",
    ),
    Planted(
        "files that are newer than a lost block are said to be touched",
        "simfs.store.damage",
        "_number_at(state, place) < found.before for place",
        "_number_at(state, place) > 0 for place",
        REACH + "test_of_a_block_that_is_lost_newer_files_are_not_named",
    ),
    Planted(
        "a flipped bit in a header hides whose frame it was",
        "simfs.store.mounting.reach",
        "for bit in range(8 * len(header)) if found is None else ():",
        "for bit in ():",
        REACH + "test_of_one_frame_the_header_says_whose_it_was[1-file]",
    ),
    Planted(
        "a damaged frame is told where it stands, and once more as a missing number",
        "simfs.store.mounting.survey",
        "if not any(a <= low and high <= b for a, b in told)",
        "if low",
        REACH + "test_of_one_frame_the_header_says_whose_it_was[1-payload]",
    ),
    Planted(
        "a mount settles the log before it has found all damage",
        "simfs.store.recovery.mount",
        "        refuse_damage(found.state)\n        recover(tail)\n",
        "        recover(tail)\n",
        REACH + "test_a_mount_to_write_finds_all_damage_before_it_writes",
    ),
    Planted(
        "the oldest of the statements rules",
        "simfs.store.mounting.ruling",
        "lead = max(numbers, key=numbers.__getitem__, default=0)",
        "lead = min(numbers, key=numbers.__getitem__, default=0)",
        RULING + "test_the_newest_statement_rules_wherever_it_stands",
    ),
    Planted(
        "an erase begins without LEFT in the lead",
        "simfs.store.log.segments",
        "        self.mark_left()\n        self.meters.erases += 1\n",
        "        self.meters.erases += 1\n",
        RULES + "test_only_a_named_block_is_erased_and_only_once_the_lead_says_so[1-False]",
    ),
    Planted(
        "the log goes on behind a settled statement without NEXT",
        "simfs.store.log.segments",
        "if self.next_mark is not None:",
        "if False:",
        RULES + "test_a_log_that_woke_and_wrote_nothing_more_is_settled_anew[1-True]",
    ),
    Planted(
        "a recovery writes its statement in a page that may have been in flight",
        "simfs.store.recovery.touched",
        "    return align_up(end, page)\n",
        "    return end - end % page\n",
        RULES + "test_a_recovery_goes_on_in_a_page_that_was_not_in_flight",
    ),
    Planted(
        "a statement makes nothing void",
        "simfs.store.log.block_scan",
        "said = [(one.at, one.end) for one in self.statements if one.end != NOWHERE] + list(self.skips.items())",
        "said = list(self.skips.items())",
        SCAN + "test_a_statement_makes_void_what_stands_from_its_end_up_to_its_place",
    ),
    Planted(
        "a frame carried by a statement keeps the number before its own",
        "simfs.store.recovery.tail",
        "frame.offset, said.order - 1, doubtful.payload",
        "frame.offset, said.order - 2, doubtful.payload",
        RULES + "test_a_frame_carried_by_a_statement_counts_once",
    ),
    Planted(
        "a recovery forgets the frame in doubt",
        "simfs.store.recovery.tail",
        "    if doubtful is None:\n        return encode",
        "    if doubtful is None or doubtful:\n        return encode",
        RULES + "test_a_frame_carried_by_a_statement_counts_once",
    ),
    Planted(
        "a mount does not see that NEXT stands behind a settled statement",
        "simfs.store.recovery.tail",
        "return sure and self.is_sure and not self._goes_on() and self.ends_there()",
        "return sure and self.is_sure and self.ends_there()",
        RULES + "test_a_log_that_woke_and_wrote_nothing_more_is_settled_anew[1-True]",
    ),
    Planted(
        "a torn statement that reads well later hides the one behind it",
        "simfs.store.log.block_scan",
        "if self.layout.page_packing and self._is_stated_at(place.end)",
        "if False",
        SCAN + "test_a_torn_statement_that_reads_well_later_takes_no_page_from_the_one_behind_it",
    ),
    Planted(
        "a mount looks for the ruling statement only in the blocks that the first one knows",
        "simfs.store.mounting.ruling",
        "unread = set() if said is None else",
        "unread = set() if said is None or looked else",
        RULING + "test_blocks_in_turn_may_begin_with_moved_frames",
    ),
    Planted(
        "a statement counts without what was moved before it",
        "simfs.store.mounting.ruling",
        "    return [frame.order for frame in moved] ==",
        "    return True or [frame.order for frame in moved] ==",
        RULING + "test_a_statement_that_is_not_sure_counts_only_with_what_was_moved_before_it",
    ),
    Planted(
        "zeros that a cut erase leaves look like marks",
        "simfs.store.log.marks",
        " and not erased",
        "",
        MARKS + "test_what_looks_like_marks_beside_an_end_of_zeros_is_the_rest_of_an_erase",
    ),
    Planted(
        "a mark in a page with a limit is programmed whole at once",
        "simfs.store.log.marks",
        "flash.program(address + at, bytes(map(and_, there, half)))",
        "flash.program(address + at, bytes(unit))",
        MARKS + "test_in_a_page_with_a_limit_a_torn_mark_gets_its_blank_half[127-112]",
    ),
    Planted(
        "DOUBTED in a page that a cut has spoiled is not made sound",
        "simfs.store.recovery.recover",
        "        if not tail.is_sure:\n            program_mark",
        "        if not tail.is_sure and not tail.is_followed():\n            program_mark",
        MARKS + "test_doubted_is_programmed_again_whatever_follows",
    ),
    Planted(
        "what a bad block told of others is missed",
        "simfs.store.mounting.told",
        "    state.damages += [one for one in unread if",
        "    state.damages += [one for one in unread if True or",
        "store/test_bad_blocks.py::test_what_a_bad_block_told_of_others_is_not_missed",
    ),
    Planted(
        "an END that may be weak is relied on",
        "simfs.store.recovery.recover",
        "if layout.unit_bytes == 1:",
        "if False:",
        MARKS + "test_an_end_without_sure_is_programmed_again_where_it_can_be",
    ),
    Planted(
        "a log is settled by a SURE that may be weak",
        "simfs.store.recovery.tail",
        "last = self.place.sure + self.layout.mark_bytes - self.layout.unit_bytes",
        "last = self.place.sure",
        MARKS + "test_the_second_unit_of_sure_shows_that_the_first_is_sound[8]",
    ),
    Planted(
        "a named block is erased under a LEFT that may be weak",
        "simfs.store.log.segments",
        "program_mark(self.flash, layout, start + layout.sealing_at)",
        "pass",
        MARKS + "test_sealing_says_what_left_can_not_say_surely",
    ),
    Planted(
        "a statement that was tried in the other named block may come back",
        "simfs.store.recovery.move",
        "for block in names if tail.layout.can_kill else names[1:]:",
        "for block in names if tail.layout.can_kill else ():",
        MARKS + "test_where_statements_can_not_be_killed_the_other_named_block_is_erased[8-erased1]",
    ),
    Planted(
        "a recovery's statement is no newer than that in a block that failed",
        "simfs.store.recovery.move",
        "NUMBER_GAP * (1 + len(failed))",
        "NUMBER_GAP",
        MARKS + "test_a_block_that_fails_behind_its_statement_does_not_rule",
    ),
]
