"""Reading a span of a file: many frames in a row give what they give one by one, and cost the same reads."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from simfs import Store
from simfs.flash import NorFlash


class OneByOne(NorFlash):
    """Each read of it is one by itself."""

    def window(self, address: int, end: int) -> None:
        return None


def spans_read(flash: NorFlash, hurt: Iterable[int]) -> list[object]:
    """What reads of two files that were written in turn give, and cost; some bytes of the flash are hurt before."""
    store = Store.format(flash)
    for record in range(200):
        with store.open(f"/{record % 7 // 6}", "a") as file:
            file.write(bytes([record]) * (record % 90 + 1))
    for at in hurt:
        flash.put(at, bytes([flash.image()[at] ^ 1]))
    told: list[object] = []
    for name in ("/0", "/1"):
        for start in range(0, store.stat(name).size_bytes, 77):
            with store.open(name, "r") as file:
                file.seek(start)
                try:
                    told.append(file.read(150))
                except OSError as error:
                    told.append(str(error))
            told.append((flash.reads, flash.read_bytes))
    return told


@pytest.mark.parametrize("unit_bytes", [1, 8])
@pytest.mark.parametrize("hurt", [(), (5000,), range(4500, 12_000, 997)])
def test_frames_in_a_row_are_read_as_one_by_one(unit_bytes: int, hurt: Iterable[int]) -> None:
    quick, plain = (flash(8, 4096, 256, program_unit_bytes=unit_bytes) for flash in (NorFlash, OneByOne))
    assert spans_read(quick, hurt) == spans_read(plain, hurt)
