"""The [chip] table of any part that its tables describe: a scenario takes it with both ends of its times, or there is
none and a line says why."""

from __future__ import annotations

import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from simfs.replay.scenario.media.chip import Chip
from simfs.sfdp.basic import BASIC, BASIC_ID
from simfs.sfdp.decode import decode
from simfs.sfdp.facts import facts_of
from simfs.show.parts.chip_table import NoChip, chip_table
from tests.sfdp.building import area, dwords

FIELDS = {field.key: field for declared in BASIC[:16] for field in declared.fields}
LIKELY = {
    "density": st.sampled_from([(1 << power) - 1 for power in range(15, 32)] + [0x8000_001F, 0x8000_0024, 12_345_671]),
    **{f"erase_{number}_power": st.sampled_from([0, 3, 8, 12, 15, 16, 18, 30]) for number in (1, 2, 3, 4)},
}
ANY = {key: st.integers(0, (1 << field.width_bits) - 1) for key, field in FIELDS.items()}


@settings(max_examples=60, deadline=None, derandomize=True)
@given(values=st.fixed_dictionaries(ANY | LIKELY), length=st.sampled_from([9, 16]))
def test_a_scenario_takes_it_or_there_is_none(values: dict[str, int], length: int) -> None:
    facts = facts_of(decode(area({BASIC_ID: dwords(BASIC[:length], values)})))
    try:
        text = chip_table("part.bin", facts)
    except NoChip:
        return
    sheet = Chip.model_validate(tomllib.loads(text)["chip"]).datasheet()
    block = next(erase for erase in facts.erase_types if erase.size_bytes == sheet.block_bytes and erase.everywhere)
    assert sheet.size_bytes == facts.size_bytes
    if length == 16:
        assert block.time is not None
        assert facts.program is not None
        assert (sheet.erase_typ_ns, sheet.erase_max_ns) == (block.time.typ_ns, block.time.max_ns)
        assert (sheet.program_typ_ns, sheet.program_max_ns) == (facts.program.typ_ns, facts.program.max_ns)
        assert sheet.page_bytes == facts.page_bytes
