"""Two cuts in a row: the first in a write, the second in the recovery from it. What is acknowledged after that stays,
also when the cells that the cuts left weak read otherwise at a later power-on."""

from __future__ import annotations

from itertools import count
from typing import Any

import pytest

from simfs import StoreConfig
from tests.goals.scenarios import Call, added
from tests.store.lives.power_cycles import Gap, Life

SIZES = {"block_count": 11, "block_bytes": 1024, "page_bytes": 64}
LARGER = {"block_count": 11, "block_bytes": 2048, "page_bytes": 256, "program_unit_bytes": 16}
CUT_PROGRAMS = range(16, 40, 8)  # while blocks are filled and opened
AFTER = added("f1", b"+" * 25)


def story() -> list[Call]:
    """Files that grow and are removed, so that a block is opened every few writes."""
    calls: list[Call] = []
    for turn in range(40):
        calls += added(f"f{turn % 3}", bytes([65 + turn]) * 30)
        if turn % 5 == 4:
            calls.append(("remove", f"f{turn % 3}"))
    return calls


def stays(life: Life) -> None:
    """Each cut reads as if it had done nothing, or all; and otherwise once more has been acknowledged."""
    for reading in life.readings():
        recovered = life.fork()
        recovered.cycle(AFTER, reading=reading)
        for later in recovered.readings():
            recovered.fork().cycle((), reading=later)


@pytest.mark.parametrize(
    ("sizes", "settings"),
    [
        (SIZES, {"packing": "page", "name_bytes": 8}),
        (SIZES, {"buffer_bytes": 32, "name_bytes": 8}),
        (LARGER, {"buffer_bytes": 32, "name_bytes": 8}),
    ],
    ids=["pages", "bytes", "units of 16"],
)
def test_what_is_written_after_two_cuts_stays(sizes: dict[str, int], settings: dict[str, Any]) -> None:
    start, states = Life(sizes, StoreConfig(**settings)), 0
    for cut in CUT_PROGRAMS:
        first = start.fork()
        assert not first.cycle(story(), Gap(cut))
        for reading in first.readings():
            for number in count():
                second = first.fork()
                if second.cycle((), Gap(number), reading):
                    break
                stays(second)
                states += 1
    assert states > 3 * len(CUT_PROGRAMS)
