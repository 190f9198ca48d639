"""The cells of the small world agree with those of the flash and its own fault plan."""

from __future__ import annotations

import pytest

from simfs import NorFlash, PowerCut
from simfs.flash import Plan, Rng
from simfs.flash.fault_data import Cut, Faults
from simfs.flash.interrupted import Profile
from simfs.flash.trace import Change
from tests.goals.world.chips import Chip, Noted, reading, ways

PAGE_BYTES = 16
BLOCK_BYTES = 64


def changes(rng: Rng, count: int) -> list[Change]:
    made = []
    for _ in range(count):
        if rng.below(6) == 0:
            made.append(Change(BLOCK_BYTES * rng.below(2), None))
        else:
            at = rng.below(PAGE_BYTES)
            data = bytes(rng.below(256) for _ in range(1 + rng.below(PAGE_BYTES - at)))
            made.append(Change(PAGE_BYTES * rng.below(2 * BLOCK_BYTES // PAGE_BYTES) + at, data))
    return made


def weak_cells(pieces: list[tuple[int, bytes]]) -> bytes:
    """All weak cells as ones."""
    cells = bytearray(2 * BLOCK_BYTES)
    for start, mask in pieces:
        for at, byte in enumerate(mask, start):
            cells[at] |= byte
    return bytes(cells)


def cut_in_each(flash: NorFlash, plan: Plan, chip: Chip, every: list[Change], profile: Profile) -> Chip:
    """Make every change on the flash and on the chip; every third one is cut, and leaves nothing."""
    for number, (address, data) in enumerate(every):
        cells, block = flash.image(), address // BLOCK_BYTES
        page = address - address % PAGE_BYTES
        start, size = (block * BLOCK_BYTES, BLOCK_BYTES) if data is None else (page, PAGE_BYTES)
        noted = Noted(Change(address, data), cells[start : start + size])
        try:
            flash.erase(block) if data is None else flash.program(address, data)
            chip.apply(noted)
        except PowerCut:
            flash.power_on()
            image, groups = chip.cut(noted)
            chip = Chip(image, groups, profile, flash.geometry)
        groups_now = [(group.start, group.mask) for group in chip.groups]
        assert weak_cells(groups_now) == weak_cells([tuple(piece) for piece in plan.weak]), number
        sound = bytes(255 ^ byte for byte in weak_cells(groups_now))
        assert masked(bytes(chip.cells), sound) == masked(flash.image(), sound), number
    return chip


def masked(cells: bytes, mask: bytes) -> bytes:
    return bytes(one & other for one, other in zip(cells, mask, strict=True))


@pytest.mark.parametrize("profile", [Profile.PROGRAM, Profile.PAGE])
@pytest.mark.parametrize("seed", range(30))
def test_cells_and_weak_cells_are_those_of_the_flash(profile: Profile, seed: int) -> None:
    every = changes(Rng(seed, "changes"), 30)
    cuts = tuple(Cut(at) for at in range(2, len(every), 3))
    plan = Plan(Faults(profile=profile, cuts=cuts, weak="power-on"))
    flash = NorFlash(2, BLOCK_BYTES, PAGE_BYTES, strict=False, faults=plan)
    chip = cut_in_each(flash, plan, Chip(flash.image(), (), profile, flash.geometry), every, profile)
    cells = [cell for group in chip.groups for cell in weak_bits(group.start, group.mask)]
    assert len(cells) == len(set(cells)), "no cell is of two groups"


def weak_bits(start: int, mask: bytes) -> list[tuple[int, int]]:
    return [(at, bit) for at, byte in enumerate(mask, start) for bit in range(8) if byte >> bit & 1]


@pytest.mark.parametrize("change", [Change(3, b"\x00\x5a\x00"), Change(0, None)])
def test_a_group_reads_as_before_its_cut_as_the_change_would_have_left_it_and_between(change: Change) -> None:
    flash = NorFlash(2, BLOCK_BYTES, PAGE_BYTES)
    flash.program(0, b"\xff\x0f\xff\xfe")
    before, geometry = flash.image(), flash.geometry
    image, (group,) = Chip(before, (), Profile.PROGRAM, geometry).cut(Noted(change, before[:BLOCK_BYTES]))
    flash.erase(0) if change.data is None else flash.program(*change)
    reads = {way: reading(group, way, image, Profile.PROGRAM, geometry) for way in ways(group)}
    span = slice(group.start, group.end)
    assert reads["as before"] == reads["nothing"] == masked(before[span], group.mask)
    assert reads["all"] == masked(flash.image()[span], group.mask)
    assert len(set(reads.values())) > 3


def test_cells_that_two_cuts_have_hit_are_of_the_later_one() -> None:
    flash = NorFlash(2, BLOCK_BYTES, PAGE_BYTES)
    flash.program(0, b"\xf0")
    blank, before = flash.image(), flash.image()[:BLOCK_BYTES]
    image, groups = Chip(blank, (), Profile.PROGRAM, flash.geometry).cut(Noted(Change(0, None), before))
    chip = Chip(image, groups, Profile.PROGRAM, flash.geometry)
    _, groups = chip.cut(Noted(Change(0, b"\x3c"), b""))
    assert {group.fresh: group.mask[0] for group in groups} == {False: 0x3C, True: 0xC3}
