"""Bugs in the chip: bits, pages, counts, faults."""

from __future__ import annotations

from tests.mutation.planted import Planted

NOR = "flash/test_nor.py::"
FAULTS = "flash/test_faults.py::"
LEFT = "flash/test_faults_left.py::"
WEAR = "flash/test_faults_wear.py::"

BUGS = [
    Planted(
        "a program replaces what stands in the cells, instead of AND",
        "simfs.flash.nor",
        "old[:] = piece if blank and self._faults is None else anded(old, piece)",
        "old[:] = piece",
        NOR + "test_program_is_and_when_not_strict",
    ),
    Planted(
        "a program past the page end goes on in the next page",
        "simfs.flash.misuse",
        "first = address - address % page_bytes",
        "first = address - address % page_bytes + (page_bytes if len(data) < page_bytes else 0)",
        NOR + "test_past_the_page_end_the_part_wraps_to_the_page_start",
    ),
    Planted(
        "a bit that a program would set goes unnoticed when another one is cleared",
        "simfs.flash.misuse",
        "if anded(old, data) == data:",
        "if anded(old, data) != old:",
        NOR + "test_strict_refuses_to_set_a_bit_and_changes_and_counts_nothing",
    ),
    Planted(
        "an erase does not give its pages their programs back",
        "simfs.flash.nor",
        "self._page_programs[block * pages : (block + 1) * pages] = [0] * pages",
        "self._page_programs[block * pages] = 0",
        NOR + "TestPagePrograms::test_an_erase_gives_every_page_of_its_block_its_programs_back_and_no_other",
    ),
    Planted(
        "an erase that is cut wears nothing",
        "simfs.flash.nor",
        """        self._erase_counts[block] += 1  # before the plan is asked: an erase that is cut wears as well
        for tell in self._on_erase:
            tell(block)
        if self._faults is not None:
            self._ask(self._faults.before_erase, address, size)
""",
        """        for tell in self._on_erase:
            tell(block)
        if self._faults is not None:
            self._ask(self._faults.before_erase, address, size)
        self._erase_counts[block] += 1
""",
        NOR + "TestFaultSeam::test_a_cut_erase_has_worn_its_block",
    ),
    Planted(
        "the flash works on after a power cut",
        "simfs.flash.nor",
        "            self._powered = False\n            raise",
        "            raise",
        NOR + "TestFaultSeam::test_a_cut_program_leaves_what_the_plan_left_and_holds_until_power_on",
    ),
    Planted(
        "a blank test that the quick path leaves ends with the first page",
        "simfs.flash.nor",
        "self._ff[length] if length < len(self._ff) else blank_block(length), address)",
        "self._ff[length] if length < len(self._ff) else blank_block(self._page_bytes), address)",
        NOR + "test_blank",
    ),
    Planted(
        "a program unit may be programmed again when no bit of it would be set",
        "simfs.flash.misuse",
        "if unit > 1:",
        "if unit > 1 and anded(cells[address : address + length], data) != data:",
        NOR + "TestProgramUnits::test_strict_refuses_a_unit_a_second_time_even_if_no_bit_would_be_set",
    ),
    Planted(
        "energy divides what each kind of operation draws, and not the sum",
        "simfs.flash.counts",
        "* datasheet.program_ua",
        "* datasheet.program_ua // 10**9 * 10**9",
        "flash/test_parts.py::test_time_and_energy_do_not_depend_on_the_order",
    ),
    Planted(
        "an erase that is caught early has programmed nothing to zeros",
        "simfs.flash.interrupted",
        r'"zeros": (b"\0", None),',
        r'"zeros": (b"\xff", None),',
        LEFT + "TestErases::test_phases_by_the_byte",
    ),
    Planted(
        "a cut program spoils its erase block though only its page may suffer",
        "simfs.flash.interrupted",
        "size = geometry.page_bytes if",
        "size = geometry.block_bytes if",
        LEFT + "TestPrograms::test_it_spoils_what_its_profile_says_and_nothing_beyond",
    ),
    Planted(
        "weak bits are forgotten at power-on",
        "simfs.flash.plan",
        """        if self.faults.weak:
            read_anew(self.weak, cells, self._anew)
""",
        """        self.weak.clear()
""",
        FAULTS + "TestWeakBits::test_at_each_power_on",
    ),
    Planted(
        "a complete program makes all weak bits of its bytes sound, those too that it does not clear",
        "simfs.flash.weak",
        "mask[within] = anded(mask[within], kept[start - address : end - address])",
        "mask[within] = bytes(end - start)",
        LEFT + "TestWeakBits::test_a_complete_program_makes_the_bits_sound_that_it_clears",
    ),
    Planted(
        "a chip that fails for ever recovers after one failure",
        "simfs.flash.plan",
        "return number >= error.at if error.for_ever else number == error.at",
        "return number == error.at",
        FAULTS + "TestErrors::test_once_or_for_ever_anywhere_or_at_a_block",
    ),
    Planted(
        "a worn block's stuck bits are others after each erase",
        "simfs.flash.wear",
        'rng = Rng(self._seed, "stuck", block)',
        'rng = Rng(self._seed, "stuck", block, self._cycles_of(block))',
        FAULTS + "TestWornBlocks::test_slower_up_to_its_limit_then_stuck_bits_then_refused",
    ),
    Planted(
        "rot begins anew with each read, so that short reads never meet it",
        "simfs.flash.rot",
        "self._gap_bits = at - bits",
        "self._gap_bits = self._draw()",
        WEAR + "test_rot_does_not_depend_on_how_the_bits_are_passed_over",
    ),
    Planted(
        "a stream of random numbers does not depend on where its name is divided",
        "simfs.flash.rng",
        ' + len(text).to_bytes(4, "little") + text',
        " + text",
        "flash/test_rng.py::test_key_is_blake2b_of_the_tagged_parts",
    ),
]
