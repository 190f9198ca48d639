"""Bits that flip in what one log head wrote last, while the other one has gone on: that is no cut, and is told. A doubt
is too little: after a recovery nothing is uncertain but what it wrote last itself."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

import pytest

from simfs import CorruptStore, NorFlash, Store
from simfs.flash import Plan
from tests.store.lives.power_cycles import PROGRAM_LEAVES, Gap, Life, Reading, some_work
from tests.store.lives.settings import AMOUNTS, new_life
from tests.support.rotten_files import files_of

TURNS = 21  # power cycles
LAST = 3  # programs of each block that are looked at
NEWEST = 10  # programs at the very end, where rot may look like a cut
EVERY = 14  # bytes


class NotedLife(Life):
    """Notes the programs of each power cycle: address and length."""

    programs: list[tuple[int, int]]

    def power_on(self, gap: Gap, reading: Reading | None = None) -> tuple[NorFlash, Plan]:
        flash, plan = super().power_on(gap, reading)
        noted = self.programs = []
        size = flash.geometry.block_bytes
        flash.listen(
            lambda address, data: noted.append((address, len(data))),
            lambda block: noted.__setitem__(slice(None), [one for one in noted if one[0] // size != block]),
        )
        return flash, plan

    def places(self) -> Iterator[int]:
        """Bytes of what was programmed last in each block, but for the newest of all."""
        size = self.sizes["block_bytes"]
        for block in sorted({address // size for address, _ in self.programs}):
            own = [one for one in self.programs if one[0] // size == block][-LAST:]
            for address, length in own:
                if (address, length) not in self.programs[-NEWEST:]:
                    yield from range(address, address + length, EVERY)


def some_programs(random: Random) -> Gap:
    """A cut after more programs than the newest ones."""
    leaves = random.choice(PROGRAM_LEAVES)
    return Gap(random.randrange(2 * NEWEST, 6 * NEWEST), leaves, seed=random.randrange(1 << 30))


def is_exact_or_told(life: Life, image: bytearray) -> bool:
    try:
        store = Store.mount(NorFlash.from_image(image, datasheet=NorFlash(**life.sizes).datasheet), read_only=True)
    except CorruptStore:
        return True
    return files_of(store) == life.allowed[0] or bool(store.check())


@pytest.mark.parametrize(
    ("setting", "seed"), [("two heads", 2), ("two heads, idle cleaning", 7), ("two heads, pages", 7)]
)
def test_rot_in_what_a_head_wrote_last_is_told(setting: str, seed: int) -> None:
    random, one = Random(f"rot {seed}"), new_life(setting)
    life = NotedLife(one.sizes, one.config, one.image)
    calls, tried = some_work(random, **AMOUNTS["some"]), 0
    for _ in range(TURNS):
        life.cycle_after_recovery(calls, some_programs(random))
        programs = life.programs
        life.cycle(())
        life.programs = programs + life.programs
        for at in life.places():
            image = bytearray(life.image)
            image[at] ^= 1 << random.randrange(8)
            assert is_exact_or_told(life, image), f"a flipped bit of byte {at:#x} is not told"
            tried += 1
    assert tried > 100
