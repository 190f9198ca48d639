"""Faults as data, carried out on a flash: cuts, errors, flips, rot, worn blocks, weak bits; the same everywhere."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from dataclasses import FrozenInstanceError

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import simfs.flash
from simfs.flash import (
    Change,
    Counts,
    Cut,
    Error,
    Faults,
    FlashError,
    Flip,
    NorFlash,
    Plan,
    Profile,
    Rot,
    Trace,
    Weibull,
    Worn,
)
from simfs.flash.interrupted import left_by, weakened
from simfs.flash.weak import still_weak
from tests.support.faulty_flash import digest, everything, flash_with, outcome, work
from tests.support.places import ROOT

SEEDED = settings(derandomize=True, database=None, deadline=None)


class TestErrors:
    def test_one_is_an_os_error_that_says_where(self) -> None:
        flash = flash_with(Faults(errors=(Error("program", 1),)))
        flash.program(0, b"a")
        with pytest.raises(OSError, match="the flash reports that the program at 1 failed") as caught:
            flash.program(1, b"b")
        error = pickle.loads(pickle.dumps(caught.value))
        assert (type(error), error.errno, error.operation, error.address) == (FlashError, 5, "program", 1)
        assert str(error) == str(caught.value)

    @pytest.mark.parametrize(
        ("error", "expected"),
        [
            (Error("read", 1), "d F d d d d"),
            (Error("read", 1, for_ever=True), "d F F F F F"),
            (Error("read", block=1), "d d F d d d"),
            (Error("read", 1, block=1), "d d d d F d"),
            (Error("read", 1, block=1, for_ever=True), "d d d d F F"),
            (Error("program", for_ever=True), "d d d d d d"),
        ],
    )
    def test_once_or_for_ever_anywhere_or_at_a_block(self, error: Error, expected: str) -> None:
        """Reads of blocks 0, 0, 1, 2, 0 to 1, 1."""
        flash = flash_with(Faults(errors=(error,)))
        reads = ((0, 1), (511, 1), (512, 512), (1024, 4), (511, 2), (1023, 1))
        got = [outcome(lambda at=at: flash.read(*at)) for at in reads]
        assert " ".join(got) == expected.replace("d", "done").replace("F", "FlashError")

    def test_erases_and_programs_of_a_block_that_never_work(self) -> None:
        flash = flash_with(Faults(errors=tuple(Error(kind, block=2, for_ever=True) for kind in ("erase", "program"))))
        assert [outcome(lambda block=block: flash.erase(block)) for block in (1, 2, 3, 2)] == [
            "done", "FlashError", "done", "FlashError",
        ]  # fmt: skip
        assert [outcome(lambda block=block: flash.program(512 * block, b"x")) for block in (1, 2, 3, 2)] == [
            "done", "FlashError", "done", "FlashError",
        ]  # fmt: skip
        assert flash.powered

    def test_what_failed_is_counted_wears_and_takes_the_longest_time(self) -> None:
        errors = (Error("program"), Error("erase"), Error("read"))
        flash = flash_with(Faults(errors=errors))
        for operation in (lambda: flash.program(0, b"ab"), lambda: flash.erase(1), lambda: flash.read(0, 9)):
            assert outcome(operation) == "FlashError"
        sheet = flash.datasheet
        extra_ns = sheet.program_max_ns - sheet.program_typ_ns, sheet.erase_max_ns - sheet.erase_typ_ns
        assert flash.counts == Counts(1, 9, 1, 2, 1, *extra_ns)
        assert flash.counts.busy_ns(sheet) == flash.counts.busy_max_ns(sheet)
        assert flash.erase_counts == [0, 1, 0, 0]
        again = flash.counts
        flash.program(0, b"ab")
        assert flash.counts - again == Counts(programs=1, program_bytes=2)

    def test_what_it_leaves_is_as_of_a_cut(self) -> None:
        faults = Faults(errors=(Error("program", leaves="bytes 2"), Error("erase", leaves="zeros 10")))
        flash = flash_with(faults)
        assert outcome(lambda: flash.program(0, b"abcd")) == "FlashError"
        assert flash.read(0, 4) == b"ab\xff\xff"
        assert outcome(lambda: flash.erase(0)) == "FlashError"
        assert flash.read(0, 12) == bytes(10) + b"\xff\xff"

    def test_a_failure_spoils_nothing_beside_whatever_the_profile(self) -> None:
        errors = (Error("program", leaves="bits half", for_ever=True),)
        for seed in range(8):
            flash = flash_with(Faults(seed, Profile.SECTOR, errors=errors, weak="read"))
            assert outcome(lambda flash=flash: flash.program(100, bytes(8))) == "FlashError"
            assert flash.blank(0, 100)
            assert flash.blank(108, 1900)

    def test_the_same_bits_of_a_place_fail_again(self) -> None:
        flash = flash_with(Faults(errors=(Error("program", leaves="bits half", for_ever=True),)))
        left = set()
        for _ in range(3):
            assert outcome(lambda: flash.program(0, bytes(8))) == "FlashError"
            left.add(flash.read(0, 8))
        assert len(left) == 1
        assert outcome(lambda: flash.program(8, bytes(8))) == "FlashError"
        assert flash.read(8, 8) not in left

    def test_after_an_error_the_store_may_try_again(self) -> None:
        flash = flash_with(Faults(errors=(Error("program", leaves="bits half"),)))
        assert outcome(lambda: flash.program(0, b"abcd")) == "FlashError"
        flash.program(0, b"abcd")
        assert flash.read(0, 4) == b"abcd"


class TestCuts:
    def test_at_a_numbered_change_and_after_power_on_again(self) -> None:
        flash = flash_with(Faults(cuts=(Cut(2, "bytes 1"), Cut(3, "raised 100"))))
        flash.program(0, b"\x00" * 10)
        flash.read(0, 10)
        flash.erase(3)
        assert outcome(lambda: flash.program(10, b"\x00\x00")) == "PowerCut"
        assert outcome(lambda: flash.read(0, 1)) == "NoPower"
        assert outcome(lambda: flash.program(0, b"x")) == "NoPower"
        flash.power_on()
        assert flash.read(0, 12) == bytes(11) + b"\xff"
        assert outcome(lambda: flash.erase(0)) == "PowerCut"
        flash.power_on()
        assert flash.image() == b"\xff" * 2048  # the zeros stood where the erase had been
        flash.erase(0)

    @pytest.mark.parametrize(
        ("of", "at", "cut"),
        [
            ("change", 2, 4),
            ("program", 1, 2),
            ("erase", 1, 6),
            ("read", 1, 3),
            ("operation", 5, 5),
            ("operation", 0, 0),
            ("erase", 2, None),
        ],
    )
    def test_numbers_count_what_they_say(self, of: str, at: int, cut: int | None) -> None:
        flash = flash_with(Faults(cuts=(Cut(at, of=of),)))
        operations: list[Callable[[], object]] = [
            lambda: flash.program(0, b"a"),
            lambda: flash.read(0, 1),
            lambda: flash.program(1, b"b"),
            lambda: flash.blank(0, 1),
            lambda: flash.erase(1),
            lambda: flash.program(2, b"c"),
            lambda: flash.erase(2),
            lambda: flash.read(0, 0),  # does not reach the chip
        ]
        for number, operation in enumerate(operations):
            assert (outcome(operation) == "PowerCut") == (number == cut)
            if number == cut:
                return
        assert cut is None

    def test_the_same_plan_goes_on_with_another_flash(self) -> None:
        plan = Plan(Faults(cuts=(Cut(1), Cut(3))))
        first = NorFlash(4, 512, 64, faults=plan)
        first.program(0, b"a")
        assert outcome(lambda: first.program(1, b"b")) == "PowerCut"
        second = NorFlash.from_image(first.image(), 512, 64, faults=plan)
        second.program(1, b"b")
        assert outcome(lambda: second.program(2, b"c")) == "PowerCut"

    @SEEDED
    @given(st.integers(0, 1 << 64), st.sampled_from(Profile), st.sampled_from(["bits few", "bits most", "bytes 3"]))
    def test_a_cut_program_leaves_what_the_pure_function_says(self, seed: int, profile: Profile, leaves: str) -> None:
        flash = flash_with(Faults(seed=seed, profile=profile, cuts=(Cut(1, leaves),)))
        flash.program(70, b"before")
        before = bytearray(flash.image())
        assert outcome(lambda: flash.program(100, b"torn")) == "PowerCut"
        piece = left_by(Change(100, b"torn"), before, leaves, seed, profile, flash.geometry)
        before[piece.address : piece.address + len(piece.data)] = piece.data
        assert flash.image() == before


class TestTrace:
    def test_it_notes_what_reached_the_chip(self) -> None:
        trace = Trace()
        flash = NorFlash(4, 512, 64, strict=False, faults=trace)
        flash.program(0, bytearray(b"ab"))
        flash.read(0, 2)
        flash.erase(2)
        flash.program(63, b"xyz")  # wraps to the page start
        assert trace.changes == [Change(0, b"ab"), Change(1024, None), Change(63, b"x"), Change(0, b"yz")]
        assert [type(change.data) for change in trace.changes] == [bytes, type(None), bytes, bytes]
        assert flash.read(0, 2) == bytes(a & b for a, b in zip(b"ab", b"yz", strict=True))


class TestWeakBits:
    def torn(self, weak: str) -> NorFlash:
        flash = flash_with(Faults(seed=5, cuts=(Cut(0, "bits half"),), weak=weak))
        assert outcome(lambda: flash.program(0, bytes(32))) == "PowerCut"
        flash.power_on()
        return flash

    def test_never(self) -> None:
        flash = self.torn("")
        readings = set()
        for _ in range(10):
            readings.add(flash.read(0, 32))
            flash.power_on()
        assert len(readings) == 1

    def test_at_each_power_on(self) -> None:
        flash = self.torn("power-on")
        readings = set()
        for _ in range(20):
            now = flash.read(0, 32)
            assert flash.read(0, 32) == flash.image()[:32] == now
            readings.add(now)
            flash.power_on()
        assert len(readings) > 8
        assert {bytes(32), b"\xff" * 32} <= readings
        assert flash.read(32, 2000) == b"\xff" * 2000

    def test_at_each_read_of_them(self) -> None:
        flash = self.torn("read")
        readings = set()
        for _ in range(20):
            now = flash.read(0, 32)
            flash.read(32, 100)
            assert flash.image()[:32] == now  # what lies elsewhere is no read of them
            readings.add(now)
        assert len(readings) > 8

    def test_a_read_beside_them_is_no_read_of_them(self) -> None:
        flash = flash_with(Faults(cuts=(Cut(0, "bits half"),), weak="read"))
        assert outcome(lambda: flash.program(64, bytes(32))) == "PowerCut"
        flash.power_on()
        before = flash.image()
        for _ in range(10):
            flash.read(0, 64)
            flash.read(96, 64)
            assert flash.image() == before
        for touching in ((60, 5), (95, 1)):  # their first byte, their last
            images = set()
            for _ in range(10):
                flash.read(*touching)
                images.add(flash.image())
            assert len(images) > 4

    @pytest.mark.parametrize("weak", ["power-on", "read"])
    def test_until_a_complete_program_or_erase(self, weak: str) -> None:
        flash = self.torn(weak)
        flash.program(0, bytes(16))
        for _ in range(10):
            flash.power_on()
            assert flash.read(0, 16) == bytes(16)
        assert isinstance(flash._faults, Plan)
        assert [(piece.address, piece.data) for piece in flash._faults.weak] == [(0, bytes(16) + b"\xff" * 16)]
        flash.erase(0)
        assert flash._faults.weak == []
        for _ in range(10):
            flash.power_on()
            assert flash.blank(0, 512)

    def test_a_failed_erase_leaves_its_block_weak(self) -> None:
        flash = flash_with(Faults(errors=(Error("erase", leaves="all"),), weak="read"))
        assert outcome(lambda: flash.erase(1)) == "FlashError"
        assert not all(flash.blank(512, 512) for _ in range(10))
        assert flash.blank(0, 512)
        assert flash.blank(1024, 1024)
        flash.erase(1)
        assert all(flash.blank(512, 512) for _ in range(10))

    @SEEDED
    @given(st.integers(0, 1 << 64), st.lists(st.tuples(st.integers(0, 31), st.binary(min_size=1, max_size=8))))
    def test_they_are_those_of_the_pure_functions(self, seed: int, programs: list[tuple[int, bytes]]) -> None:
        flash = flash_with(Faults(seed=seed, cuts=(Cut(0, "bits few"),), weak="power-on"))
        blank = flash.image()
        assert outcome(lambda: flash.program(0, b"\x5a" * 40)) == "PowerCut"
        flash.power_on()
        expected = [weakened(Change(0, b"\x5a" * 40), blank, Profile.PROGRAM, flash.geometry)]
        for address, data in programs:
            legal = bytes(a & b for a, b in zip(data, flash.read(address, len(data)), strict=True))
            flash.program(address, legal)
            expected = still_weak(expected, Change(address, legal), flash.geometry)
        assert isinstance(flash._faults, Plan)
        assert flash._faults.weak == expected


class TestFlipsAndRot:
    def test_chosen_bits_flip_before_their_operation(self) -> None:
        flash = flash_with(Faults(flips=(Flip(3, 7), Flip(3, 0, at=2), Flip(9, 1, at=2), Flip(3, 7, at=3))))
        assert flash.read(0, 10) == b"\xff\xff\xff\x7f" + b"\xff" * 6
        flash.erase(1)
        assert flash.read(0, 10) == b"\xff\xff\xff\x7e" + b"\xff" * 5 + b"\xfd"
        assert flash.read(0, 4) == b"\xff\xff\xff\xfe"
        flash.erase(0)
        assert flash.read(0, 10) == b"\xff" * 10

    @pytest.mark.parametrize("chance", [1e-3, 0.03, 0.1])
    def test_reads_flip_bits_at_their_rate(self, chance: float) -> None:
        flash = NorFlash(4, 4096, 256, faults=Plan(Faults(rot=(Rot(chance, "read"),))))
        flips = 0
        before = flash.image()
        for address in range(0, 16384, 128):
            flash.read(address, 128)
        flips = sum((a ^ b).bit_count() for a, b in zip(before, flash.image(), strict=True))
        bits = 8 * 16384
        assert abs(flips - bits * chance) < 4 * (bits * chance * (1 - chance)) ** 0.5  # binomial, 4 standard errors

    def test_each_power_on_flips_bits_of_the_whole_flash(self) -> None:
        flash = NorFlash(4, 4096, 256, faults=Plan(Faults(rot=(Rot(1e-3),))))
        flash.read(0, 16384)
        assert flash.image() == b"\xff" * 16384
        places: list[int] = []
        before = flash.image()
        for _ in range(20):
            flash.power_on()
            image = flash.image()
            places += [at for at in range(16384) if image[at] != before[at]]
            before = image
        expected = 20 * 8 * 16384 / 1000
        assert abs(len(places) - expected) < 4 * expected**0.5
        assert abs(sum(places) / len(places) - 8192) < 4 * 16384 / (12 * len(places)) ** 0.5  # uniform over the flash

    def test_all_bits_and_hardly_any(self) -> None:
        flash = flash_with(Faults(rot=(Rot(1), Rot(1e-18))))
        flash.power_on()
        assert flash.image() == bytes(2048)


class TestWornBlocks:
    def test_slower_up_to_its_limit_then_stuck_bits_then_refused(self) -> None:
        flash = flash_with(Faults(worn=Worn(limits=((1, 4),), stuck_erases=3)))
        sheet = flash.datasheet
        slower_ns = sheet.erase_max_ns - sheet.erase_typ_ns
        stuck_before = 0
        for cycle in range(1, 8):
            before = flash.counts
            flash.erase(1)
            assert (flash.counts - before).erase_extra_ns == slower_ns * min(cycle, 4) // 4
            ones = int.from_bytes(flash.read(512, 512), "little")
            stuck = ones ^ ((1 << 4096) - 1)
            assert stuck.bit_count() == max(0, cycle - 4)
            assert stuck & stuck_before == stuck_before  # once stuck, always
            stuck_before = stuck
        before = flash.counts
        assert outcome(lambda: flash.erase(1)) == "FlashError"
        assert (flash.counts - before).erase_extra_ns == slower_ns
        assert flash.read(512, 512) != b"\xff" * 512
        assert outcome(lambda: flash.erase(1)) == "FlashError"
        before = flash.counts
        for _ in range(20):
            flash.erase(0)  # no limit was given
        assert (flash.counts - before).erase_extra_ns == 0
        assert flash.image()[:512] == b"\xff" * 512
        assert flash.counts.busy_ns(sheet) <= flash.counts.busy_max_ns(sheet)
        assert flash.busy_s == pytest.approx((29 * sheet.erase_typ_ns + flash.erase_extra_ns) / 1e9)

    def test_a_stuck_bit_stays_0_whatever_is_programmed_or_cut(self) -> None:
        flash = flash_with(Faults(worn=Worn(limits=((2, 1),)), cuts=(Cut(2, "all"), Cut(3, "rising 512"))))
        flash.erase(2)
        flash.erase(2)
        stuck = flash.image()
        assert stuck.count(255) == 2047
        for cycle in (3, 4):
            assert outcome(lambda: flash.erase(2)) == "PowerCut"
            flash.power_on()
            ones = int.from_bytes(flash.image(), "little")
            assert ones & ~int.from_bytes(stuck, "little") == 0
            assert ones.bit_count() == 8 * 2048 - (cycle - 1)

    def test_stuck_bits_lie_anywhere_in_the_block(self) -> None:
        flash = flash_with(Faults(worn=Worn(limits=((1, 1),), cycles_before=200, stuck_erases=300)))
        flash.erase(1)
        block = flash.read(512, 512)
        stuck = [(at, bit) for at in range(512) for bit in range(8) if not block[at] >> bit & 1]
        assert 185 < len(stuck) <= 200  # of 200 drawn places a few are the same
        assert {bit for _, bit in stuck} == set(range(8))
        mean = sum(at for at, _ in stuck) / len(stuck)
        assert abs(mean - 255.5) < 4 * 512 / (12 * len(stuck)) ** 0.5  # uniform
        assert flash.image()[:512] == b"\xff" * 512

    def test_a_used_part_and_drawn_limits(self) -> None:
        worn = Worn(drawn=Weibull(1000, 3), cycles_before=100_000)
        flash = flash_with(Faults(worn=worn))
        assert outcome(lambda: flash.erase(0)) == "FlashError"
        worn = Worn(drawn=Weibull(1e9, 3), limits=((2, 1),), stuck_erases=0)
        flash = flash_with(Faults(worn=worn))
        assert [outcome(lambda block=block: flash.erase(block)) for block in (0, 1, 2, 2)] == [
            "done", "done", "done", "FlashError",
        ]  # fmt: skip


class TestTheData:
    @pytest.mark.parametrize(
        ("make", "text"),
        [
            (lambda: Cut(-1), "at must be 0 or more, not -1"),
            (lambda: Cut(0, "half"), "leaves must be one of nothing"),
            (lambda: Cut(0, of="writes"), "of must be one of 'change', 'read', 'program', 'erase', 'operation'"),
            (lambda: Error("write"), "operation must be one of 'read', 'program', 'erase', not 'write'"),
            (lambda: Error("read", -1), "at must be 0"),
            (lambda: Error("read", block=-1), "block must be 0"),
            (lambda: Error("erase", leaves="bits"), "leaves must be one of"),
            (lambda: Flip(0, 8), "bit must be from 0 to 7, not 8"),
            (lambda: Flip(-1, 0), "address must be 0"),
            (lambda: Rot(0), "chance must be from 1e-18 to 1, not 0"),
            (lambda: Rot(1.5), "chance must be"),
            (lambda: Rot(0.5, "mount"), "at must be one of 'read', 'power-on', not 'mount'"),
            (lambda: Faults(weak="sometimes"), "weak must be one of '', 'power-on', 'read', not 'sometimes'"),
            (lambda: Worn(limits=((0, 0),)), "limits must be"),
            (lambda: Worn(stuck_erases=-1), "stuck_erases must be 0"),
            (lambda: Worn(cycles_before=-1), "cycles_before must be 0"),
            (lambda: Weibull(0, 3), "scale_cycles must be from 1 to 1e"),
            (lambda: Weibull(float("nan"), 3), "scale_cycles must be"),
            (lambda: Weibull(1e5, 0), "shape must be from 0.1 to 100, not 0"),
            (lambda: flash_with(Faults(flips=(Flip(2048, 0),))), "address of a flip must be below 2048, not 2048"),
            (lambda: flash_with(Faults(errors=(Error("read", block=4),))), "block of a fault must be below 4, not 4"),
            (lambda: flash_with(Faults(worn=Worn(limits=((9, 5),)))), "block of a fault must be below 4, not 9"),
        ],
    )
    def test_what_makes_no_sense_is_named(self, make: Callable[[], object], text: str) -> None:
        with pytest.raises(ValueError, match=text):
            make()

    def test_it_is_frozen_and_can_be_sent_to_another_process(self) -> None:
        faults = Faults(3, Profile.SECTOR, (Cut(1),), (Error("read"),), (Flip(0, 1),), (Rot(0.1),), Worn(), "read")
        assert pickle.loads(pickle.dumps(faults)) == faults
        assert hash(faults) == hash(pickle.loads(pickle.dumps(faults)))
        with pytest.raises(FrozenInstanceError):
            faults.seed = 4  # type: ignore[misc]

    def test_an_empty_plan_changes_nothing(self) -> None:
        plain, faulty = NorFlash(4, 512, 64), flash_with(Faults())
        for flash in (plain, faulty):
            work(flash, 9)
        assert plain.image() == faulty.image()
        assert plain.counts == faulty.counts

    def test_every_name_that_the_room_offers_is_there(self) -> None:
        assert all(getattr(simfs.flash, name) for name in simfs.flash.__all__)
        with pytest.raises(AttributeError, match="no attribute 'Nothing'"):
            simfs.flash.Nothing  # noqa: B018


KNOWN_DIGEST = "8135f10bc4421912369c59591ec66265a7c71e8d83986790455486c8877ef419"


def test_the_same_faults_do_the_same_everywhere() -> None:
    """Held to a value from one run, so that another Python, machine or version can't quietly differ."""
    assert digest() == KNOWN_DIGEST
    program = ROOT / "tests" / "support" / "faulty_flash.py"
    for hash_seed, options in (("1", []), ("77", ["-O"])):
        environment = {**os.environ, "PYTHONHASHSEED": hash_seed, "PYTHONPATH": str(program.parent.parent)}
        command = [sys.executable, *options, str(program)]
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
        assert done.stdout.strip() == KNOWN_DIGEST


def test_another_seed_does_otherwise() -> None:
    images = set()
    for seed in range(0, 12, 6):  # the same profile and kind of weak bits
        flash = flash_with(everything(seed))
        work(flash, 1)
        images.add(flash.image())
    assert len(images) == 2


def test_every_kind_of_fault_was_met_in_it() -> None:
    outcomes = {word for seed in range(12) for word in work(flash_with(everything(seed)), seed)}
    assert {"done", "FlashError", "PowerCut"} <= outcomes
