"""Parts whose interrupted programs spoil more than what they program, their page or their erase block: what was
acknowledged is found, or the store tells that some of it may be lost. Exhaustive only for what each test names; no real
chip is tested."""

from __future__ import annotations

import pytest

from simfs import NorFlash, Store
from simfs.flash.interrupted import Profile
from simfs.flash.trace import Trace
from simfs.store.format.codec import FRAME_BYTES, KINDS
from simfs.study.cuts.campaign import campaign
from simfs.study.cuts.judging.judge import TOLD
from simfs.study.cuts.judging.states import Chip, every_operation
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import History
from simfs.study.pools import Here
from tests.goals.rows.cuts import history_of
from tests.goals.scenarios import SCENARIOS
from tests.support.campaign_cases import SETTINGS, busy_case

SPOILING = (Profile.PAGE, Profile.SECTOR)


def told_in(history: History, cuts: list[CutPoint], profile: Profile) -> int:
    """How many of the states are told; no loss is silent, and the store works on."""
    result = campaign(history, cuts, profile=profile, executor=Here(), violations_max=3)
    assert not result.violations, "\n".join(f"{found.cut}: {found.what}" for found in result.violations)
    return sum(found.states for found in result.found if found.event == TOLD)


@pytest.mark.parametrize("profile", SPOILING)
@pytest.mark.parametrize("setting", SETTINGS)
def test_no_loss_is_silent(setting: str, profile: Profile) -> None:
    history = busy_case(setting, 3, 60).record()
    told = told_in(history, list(every_operation(history))[::17], profile)
    keeps_all = profile is Profile.PAGE and history.config.packing == "page"
    assert (told == 0) == keeps_all


@pytest.mark.parametrize("cut", ["143:nothing", "194:bits=half", "246:bytes=16"])
def test_a_store_works_on_whose_head_for_moved_data_lost_its_block(cut: str) -> None:
    told_in(history_of("readings, units of 8"), [CutPoint.parse(cut)], Profile.PAGE)


@pytest.mark.parametrize("cut", ["122:all", "279:nothing"])
def test_a_mount_that_finds_no_block_to_settle_in_writes_nothing_in_vain(cut: str) -> None:
    told_in(history_of("readings, units of 8"), [CutPoint.parse(cut)], Profile.SECTOR)


@pytest.mark.slow
@pytest.mark.parametrize("profile", SPOILING)
@pytest.mark.parametrize("scenario", SCENARIOS)
def test_no_loss_is_silent_in_the_reference_scenarios(scenario: str, profile: Profile) -> None:
    history = history_of(scenario)
    told_in(history, list(every_operation(history)), profile)


def doubts_after(history: History, cut: CutPoint, profile: Profile) -> tuple[int, ...]:
    """The addresses of what a read-only mount doubts after the cut."""
    chip = Chip.holding(history.image, history.geometry, history.erase_counts)
    chip.apply_all(one.change for one in history.operations[: cut.operation])
    chip.cut(history.operations[cut.operation].change, cut, profile)
    flash = NorFlash.from_image(chip.cells, datasheet=history.datasheet, faults=Trace())
    return tuple(doubt.address for doubt in Store.mount(flash, read_only=True).doubts)


def is_frame(data: bytes | None) -> bool:
    """Whether a program is a whole frame."""
    return data is not None and data[0] in KINDS and len(data) == FRAME_BYTES + int.from_bytes(data[4:6], "little")


def test_only_torn_frames_are_doubted() -> None:
    history = busy_case("bytes", 3, 60).record()
    programs = [number for number, one in enumerate(history.operations) if is_frame(one.data)]
    torn = [doubts_after(history, CutPoint(number, "bytes 5"), Profile.PROGRAM) for number in programs[8:18]]
    whole = [doubts_after(history, CutPoint(number, "nothing"), Profile.PROGRAM) for number in programs[8:18]]
    assert whole == [()] * 10
    assert torn == [(history.operations[number].address,) for number in programs[8:18]]
