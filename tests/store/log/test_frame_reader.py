"""Reading a span of a file: many frames in a row give what they give one by one, and cost the same reads."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from simfs import Store, StoreConfig
from simfs.flash import NorFlash
from simfs.store.format.codec import HEAD
from simfs.store.log.even_frames import frames_in


class OneByOne(NorFlash):
    """Each read of it is one by itself."""

    def window(self, address: int, end: int) -> None:
        return None

    def late_at(self, address: int) -> None:
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


def long_spans_read(flash: NorFlash, config: StoreConfig) -> list[object]:
    """What reads of two files give, and cost: whose frames are of one length and not made yet, then made, read again,
    with hurt bytes and without, and written over."""
    store = Store.format(flash, config)
    told: list[object] = []

    def read_both() -> None:
        for name in ("/a", "/b"):
            for start, size in ((0, 9000), (5, 1), (3000, 4096), (2999, 2), (8192, 4096), (5120, 256), (11_000, 4000)):
                with store.open(name, "r") as file:
                    file.seek(start)
                    try:
                        told.append(file.read(size))
                    except OSError as error:
                        told.append(str(error))
                told.append((flash.reads, flash.read_bytes))

    for name, size in (("/a", 3000), ("/b", 700), ("/a", 5000), ("/b", 9000), ("/a", 3333)):
        with store.open(name, "a") as file:
            file.write(bytes(number * 7 % 251 for number in range(size)))
    read_both()
    flash.image()  # makes all bytes
    read_both()
    sound = flash.image()
    for at in range(4500, len(sound), 1999):
        flash.put(at, bytes([sound[at] ^ 1]))
        read_both()
        flash.put(at, sound[at : at + 1])
    read_both()
    with store.open("/a", "r+") as file:
        file.seek(2500)
        file.write(b"over" * 500)
    read_both()
    return told


@pytest.mark.parametrize("unit_bytes", [1, 8])
@pytest.mark.parametrize("buffer_bytes", [64, 256])
def test_frames_of_one_length_are_read_as_one_by_one(unit_bytes: int, buffer_bytes: int) -> None:
    config = StoreConfig(buffer_bytes=buffer_bytes)
    quick, plain = (
        long_spans_read(flash(16, 4096, 256, program_unit_bytes=unit_bytes), config) for flash in (NorFlash, OneByOne)
    )
    assert quick == plain


@pytest.mark.parametrize(("first", "offset"), [(0x11, 0xFFFFFF00), (0xFFFFFF11, 0)])
def test_a_header_near_the_greatest_numbers_is_read_like_any_other(first: int, offset: int) -> None:
    cells = (HEAD.pack(first, 100, 7, offset) + bytes(106)) * 10
    assert frames_in(cells, 7, 0, 1) is None
