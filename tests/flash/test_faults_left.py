"""What interrupted programs and erases leave, and which bits they leave weak: pure functions of bytes and a seed."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfs.flash import Change, Geometry, Profile, Rng
from simfs.flash.interrupted import (
    ERASE_LEAVES,
    PROGRAM_LEAVES,
    Piece,
    check_leaves,
    left_by,
    random_bits,
    spoiled,
    weakened,
)
from simfs.flash.weak import read_anew, still_weak

GEOMETRY = Geometry(4, 512, 64)
SEEDED = settings(derandomize=True, database=None, deadline=None)
SEEDS = st.integers(0, 1 << 32)
CELLS = st.integers(0, 1 << 64).map(lambda seed: Rng(seed, "cells").random_bytes(GEOMETRY.size_bytes))


@st.composite
def programs(draw: st.DrawFn) -> Change:
    """A program within a page."""
    at = draw(st.integers(0, GEOMETRY.size_bytes - 1))
    return Change(at, draw(st.binary(min_size=1, max_size=GEOMETRY.page_bytes - at % GEOMETRY.page_bytes)))


@st.composite
def program_leaves(draw: st.DrawFn, length: int) -> str:
    plain = st.sampled_from(["nothing", "all", "bits few", "bits half", "bits most"])
    sized = st.integers(0, length).map("bytes {}".format) | st.integers(0, 8 * length).map("bits {}".format)
    return draw(plain | sized)


ERASES = st.integers(0, 3).map(lambda block: Change(512 * block, None))
AMOUNTS = st.sampled_from(["few", "half", "most"]) | st.integers(0, 512).map(str)
ERASE_LEFT = st.sampled_from(["nothing", "all", "weak"]) | st.builds(
    "{} {}".format, st.sampled_from(["zeros", "rising", "raised"]), AMOUNTS
)


def put(cells: bytes, piece: Piece) -> bytes:
    return cells[: piece.address] + piece.data + cells[piece.address + len(piece.data) :]


def bits(data: bytes) -> int:
    return int.from_bytes(data, "little")


def number_of_ones(data: bytes) -> int:
    return bits(data).bit_count()


class TestPrograms:
    @SEEDED
    @given(CELLS, programs(), SEEDS, st.data())
    def test_a_contained_one_clears_some_of_its_bits_and_nothing_else(
        self, cells: bytes, change: Change, seed: int, data: st.DataObject
    ) -> None:
        assert change.data is not None
        leaves = data.draw(program_leaves(len(change.data)))
        left = put(cells, left_by(change, cells, leaves, seed, Profile.PROGRAM, GEOMETRY))
        whole = put(cells, left_by(change, cells, "all", seed, Profile.PROGRAM, GEOMETRY))
        assert bits(left) & ~bits(cells) == 0  # no bit rises
        assert bits(whole) & ~bits(left) == 0  # none falls that the program does not clear
        assert whole == put(
            cells,
            Piece(change.address, bytes(a & b for a, b in zip(cells[change.address :], change.data, strict=False))),
        )

    def test_bytes_and_bits_are_done_in_order(self) -> None:
        change, cells = Change(64, b"\x00\x5a\x00"), b"\xff" * GEOMETRY.size_bytes

        def left(leaves: str) -> bytes:
            return left_by(change, cells, leaves, 0, Profile.PROGRAM, GEOMETRY).data

        assert left("nothing") == left("bytes 0") == left("bits 0") == b"\xff\xff\xff"
        assert left("bytes 1") == left("bits 8") == b"\x00\xff\xff"
        assert left("bytes 2") == left("bits 16") == b"\x00\x5a\xff"
        assert left("bits 3") == b"\xf8\xff\xff"
        assert left("bits 13") == b"\x00\xfa\xff"  # of 5Ah the bits 0 and 2 are 0 already in reach, 5 and 7 are not
        assert left("bits 24") == left("bytes 3") == left("all") == b"\x00\x5a\x00"

    @pytest.mark.parametrize(("share", "eighths"), [("few", 1), ("half", 4), ("most", 7)])
    def test_a_share_is_about_that_many_bits_and_another_seed_takes_others(self, share: str, eighths: int) -> None:
        change, cells = Change(0, bytes(64)), b"\xff" * GEOMETRY.size_bytes
        left = [left_by(change, cells, f"bits {share}", seed, Profile.PROGRAM, GEOMETRY).data for seed in range(40)]
        cleared = [512 - number_of_ones(data) for data in left]
        mean = sum(cleared) / len(cleared)
        assert abs(mean - 64 * eighths) < 4 * (512 * eighths * (8 - eighths) / 64 / 40) ** 0.5  # binomial, 4 errors
        assert len(set(left)) == 40

    @SEEDED
    @given(CELLS, programs(), SEEDS, st.sampled_from(Profile))
    def test_it_spoils_what_its_profile_says_and_nothing_beyond(
        self, cells: bytes, change: Change, seed: int, profile: Profile
    ) -> None:
        assert change.data is not None
        size = {Profile.PROGRAM: 1, Profile.PAGE: 64, Profile.SECTOR: 512}[profile]
        piece = left_by(change, cells, "bits half", seed, profile, GEOMETRY)
        end = change.address + len(change.data)
        assert (piece.address, piece.address + len(piece.data)) == (
            change.address // size * size,
            -(-end // size) * size,
        )
        own = left_by(change, cells, "bits half", seed, Profile.PROGRAM, GEOMETRY).data
        if profile is Profile.PROGRAM:
            assert piece.data == own

    @pytest.mark.parametrize(("profile", "size"), [(Profile.PAGE, 256), (Profile.SECTOR, 1 << 14)])
    def test_beside_it_bits_go_both_ways_at_some_seeds_and_none_at_others(self, profile: Profile, size: int) -> None:
        geometry = Geometry(2, 1 << 14, 256)
        cells = Rng(1, "cells").random_bytes(geometry.size_bytes)
        change = Change((1 << 14) + 300, bytes(4))
        found, shares = set(), []
        for seed in range(40):
            piece = left_by(change, cells, "all", seed, profile, geometry)
            at = change.address - piece.address
            assert len(piece.data) == size
            assert piece.data[at : at + 4] == bytes(4)
            own = 0xFFFFFFFF << 8 * at
            old, new = bits(cells[piece.address : piece.address + size]) | own, bits(piece.data) | own
            found.add((old & ~new != 0, new & ~old != 0))
            shares.append((old ^ new).bit_count() / (8 * size))
        assert {(False, False), (True, True)} <= found
        for least, most in ((0, 0), (1e-4, 0.008), (0.008, 0.03), (0.4, 0.6)):  # not at all, here and there, thoroughly
            assert sum(least <= share <= most for share in shares) >= 4
        assert sum(0.03 < share < 0.4 or share > 0.6 for share in shares) == 0


class TestErases:
    @SEEDED
    @given(CELLS, ERASES, ERASE_LEFT, SEEDS, st.sampled_from(Profile))
    def test_it_spoils_its_block_only(
        self, cells: bytes, change: Change, leaves: str, seed: int, profile: Profile
    ) -> None:
        piece = left_by(change, cells, leaves, seed, profile, GEOMETRY)
        assert (piece.address, len(piece.data)) == (change.address, 512)

    @SEEDED
    @given(CELLS, ERASES, AMOUNTS, SEEDS)
    def test_bits_first_fall_and_then_rise(self, cells: bytes, change: Change, amount: str, seed: int) -> None:
        def left(phase: str) -> int:
            return bits(left_by(change, cells, f"{phase} {amount}", seed, Profile.PROGRAM, GEOMETRY).data)

        old = bits(cells[change.address : change.address + 512])
        assert left("zeros") & ~old == 0
        assert old & ~left("raised") == 0
        assert left("raised") == old | left("rising")  # the same bits have risen
        assert left("zeros") == old & ~left("rising")  # the same bits have fallen

    def test_phases_by_the_byte(self) -> None:
        cells = b"\x5a" * GEOMETRY.size_bytes

        def left(leaves: str) -> bytes:
            return left_by(Change(512, None), cells, leaves, 0, Profile.PROGRAM, GEOMETRY).data

        assert left("zeros 100") == bytes(100) + b"\x5a" * 412
        assert left("zeros 512") == left("rising 0") == bytes(512)
        assert left("rising 100") == b"\xff" * 100 + bytes(412)
        assert left("raised 100") == b"\xff" * 100 + b"\x5a" * 412
        assert left("rising 512") == left("all") == b"\xff" * 512
        assert left("nothing") == left("raised 0") == left("zeros 0") == b"\x5a" * 512
        assert 512 * 8 - 20 < number_of_ones(left("weak")) < 512 * 8  # 8 zeros are expected

    def test_a_weak_block_has_its_few_zeros_anywhere(self) -> None:
        cells = bytes(GEOMETRY.size_bytes)
        zeros = []
        for seed in range(100):
            left = left_by(Change(512, None), cells, "weak", seed, Profile.PROGRAM, GEOMETRY).data
            zeros += [(at, bit) for at in range(512) for bit in range(8) if not left[at] >> bit & 1]
        assert 780 < len(zeros) <= 800  # 8 are drawn each time, and hardly ever one twice
        assert {bit for _, bit in zeros} == set(range(8))
        mean = sum(at for at, _ in zeros) / len(zeros)
        assert abs(mean - 255.5) < 4 * 512 / (12 * len(zeros)) ** 0.5  # uniform


class TestWhatCannotBe:
    @pytest.mark.parametrize(
        "leaves", ["", "zeros 3", "weak", "bytes", "bytes x", "bytes -1", "bytes 5", "bits 33", "bits"]
    )
    def test_of_a_program(self, leaves: str) -> None:
        with pytest.raises(ValueError, match=r"can't leave|must end in few, half, most or a number up to (4|32)"):
            left_by(Change(0, bytes(4)), bytes(GEOMETRY.size_bytes), leaves, 0, Profile.PROGRAM, GEOMETRY)

    @pytest.mark.parametrize("leaves", ["", "bytes 3", "bits half", "zeros", "rising 513", "raised many"])
    def test_of_an_erase(self, leaves: str) -> None:
        with pytest.raises(ValueError, match=r"can't leave|must end in few, half, most or a number up to 512"):
            left_by(Change(0, None), bytes(GEOMETRY.size_bytes), leaves, 0, Profile.PROGRAM, GEOMETRY)

    @pytest.mark.parametrize("leaves", ["", "bytes", "nothing 3", "all half", "raised many", "bits 1.5", "few"])
    def test_of_neither(self, leaves: str) -> None:
        with pytest.raises(ValueError, match="leaves must be one of nothing, bytes N"):
            check_leaves(leaves)

    def test_the_tables_say_what_can_be(self) -> None:
        for table, change in ((PROGRAM_LEAVES, Change(0, bytes(4))), (ERASE_LEAVES, Change(0, None))):
            for leaves in table:
                named = leaves.replace(" N", " 4")
                check_leaves(named)
                left_by(change, bytes(GEOMETRY.size_bytes), named, 0, Profile.PROGRAM, GEOMETRY)


class TestWeakBits:
    @SEEDED
    @given(CELLS, programs())
    def test_a_contained_program_leaves_those_weak_that_it_had_to_clear(self, cells: bytes, change: Change) -> None:
        assert change.data is not None
        mask = weakened(change, cells, Profile.PROGRAM, GEOMETRY)
        whole = left_by(change, cells, "all", 0, Profile.PROGRAM, GEOMETRY)
        assert mask.address == change.address
        assert mask.data == bytes(old ^ new for old, new in zip(cells[change.address :], whole.data, strict=False))

    @pytest.mark.parametrize("profile", Profile)
    def test_what_else_may_be_spoiled_is_weak_too(self, profile: Profile) -> None:
        cells = bytes(GEOMETRY.size_bytes)
        for change in (Change(600, b"abc"), Change(512, None)):
            start, end = spoiled(change, profile, GEOMETRY)
            if change.data is None or profile is not Profile.PROGRAM:
                assert weakened(change, cells, profile, GEOMETRY) == Piece(start, b"\xff" * (end - start))

    @SEEDED
    @given(CELLS, programs(), SEEDS, st.data())
    def test_reading_anew_turns_only_weak_bits(
        self, cells: bytes, change: Change, seed: int, data: st.DataObject
    ) -> None:
        masks = [
            weakened(change, cells, Profile.PROGRAM, GEOMETRY),
            weakened(Change(512, None), cells, Profile.PAGE, GEOMETRY),
        ]
        now = bytearray(cells)
        read_anew(masks, now, Rng(seed, "test"))
        weak = bits(put(bytes(GEOMETRY.size_bytes), masks[0])) | bits(put(bytes(GEOMETRY.size_bytes), masks[1]))
        assert (bits(now) ^ bits(cells)) & ~weak == 0

    def test_every_weak_bit_reads_as_either(self) -> None:
        cells = bytearray(b"\x0f" * 16)
        mask = Piece(4, b"\x81\xff\x18\x00")
        rng = Rng(7, "test")
        ones = zeros = 0
        for _ in range(60):
            read_anew([mask], cells, rng)
            ones |= bits(cells)
            zeros |= ~bits(cells)
        both = bits(bytes(4) + mask.data + bytes(8))
        assert ones & zeros & ((1 << 128) - 1) == both
        assert bits(cells) & ~both == bits(b"\x0f" * 16) & ~both

    def test_a_complete_program_makes_the_bits_sound_that_it_clears(self) -> None:
        weak = [Piece(10, b"\xff\xff\xff"), Piece(100, b"\x01")]
        assert still_weak(weak, Change(11, b"\x0f\x00\x00"), GEOMETRY) == [Piece(10, b"\xff\x0f\x00"), weak[1]]
        assert still_weak(weak, Change(8, bytes(4)), GEOMETRY) == [Piece(10, b"\x00\x00\xff"), weak[1]]
        assert still_weak(weak, Change(100, b"\xfe"), GEOMETRY) == [weak[0]]
        assert still_weak(weak, Change(100, b"\x01"), GEOMETRY) == weak
        assert still_weak(weak, Change(13, bytes(40)), GEOMETRY) == weak
        assert still_weak(weak, Change(0, bytes(64)), GEOMETRY) == [weak[1]]

    def test_a_complete_erase_makes_its_block_sound(self) -> None:
        weak = [Piece(10, b"\xff"), Piece(512, b"\xff" * 512), Piece(1500, b"\x01\x00\x01")]
        assert still_weak(weak, Change(512, None), GEOMETRY) == [weak[0], weak[2]]
        assert still_weak(weak, Change(1024, None), GEOMETRY) == weak[:2]
        assert still_weak(weak, Change(1536, None), GEOMETRY) == weak

    @SEEDED
    @given(CELLS, programs(), SEEDS)
    def test_the_same_program_done_wholly_leaves_nothing_weak(self, cells: bytes, change: Change, seed: int) -> None:
        assert still_weak([weakened(change, cells, Profile.PROGRAM, GEOMETRY)], change, GEOMETRY) == []


@pytest.mark.parametrize(("share", "eighths"), [("few", 1), ("half", 4), ("most", 7)])
def test_shares_of_random_bits(share: str, eighths: int) -> None:
    """Within four standard errors of the binomial, and never a bit beyond the length."""
    drawn = [random_bits(Rng(seed, "test"), 16, share) for seed in range(200)]
    assert all(0 <= one < 1 << 128 for one in drawn)
    chance, count = eighths / 8, 200 * 128
    assert abs(sum(one.bit_count() for one in drawn) - count * chance) < 4 * (count * chance * (1 - chance)) ** 0.5
