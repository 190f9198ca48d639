"""What a scan makes of the bytes of one block, put together by hand."""

from __future__ import annotations

from simfs.flash import Geometry
from simfs.store.format import codec
from simfs.store.format.codec import INNER, NOWHERE, Kind
from simfs.store.format.config import StoreConfig
from simfs.store.format.layout import Layout
from simfs.store.format.settings import settings_of
from simfs.store.format.statement import Statement, encode_statement
from simfs.store.log.block_scan import Scan, hurt_in, scan, table_of

BLOCK, BASE, SIZE, PAGE = 5, 1000, 2048, 128
GEOMETRY, CONFIG = Geometry(8, SIZE, PAGE), StoreConfig(buffer_bytes=64, name_bytes=16)
LAYOUT = Layout(GEOMETRY, CONFIG)
SALT = codec.salt_of(BLOCK, BASE)


class Block:
    """The bytes of a block; `order` is that of the next frame."""

    def __init__(self) -> None:
        self.raw = bytearray(b"\xff" * SIZE)
        self.order = 0
        self.end = 0  # where the next frame goes

    def state(self, at: int, end: int = NOWHERE, inner: bytes = b"", sealed: bool = True) -> int:
        """A statement at a place; where it stands. Not `sealed`: the frame has a flipped bit."""
        said = Statement(settings_of(CONFIG, GEOMETRY), BASE, self.order, 1, 1, 0, end=end)
        raw = bytearray(encode_statement(BLOCK, said, inner))
        raw[30] ^= not sealed
        place = LAYOUT.place(at, len(raw))
        self.put(place.statement, raw)
        self.put(place.end, codec.encode_end(BLOCK, said.number))
        self.order, self.end = self.order + 1, place.frames
        return place.statement

    def frame(self, name: bytes, kind: int = Kind.NAME, at: int | None = None) -> int:
        """A frame behind the others; where it stands."""
        at = self.end if at is None else at
        self.put(at, codec.encode_frame(kind, 1, 0, self.order, name, SALT))
        self.order, self.end = self.order + 1, at + codec.FRAME_BYTES + len(name)
        return at

    def skip(self, begin: int, at: int) -> None:
        self.frame(codec.U32.pack(begin), Kind.SKIP, at)

    def put(self, at: int, raw: bytes) -> None:
        self.raw[at : at + len(raw)] = raw

    def scan(self, base: int | None = None) -> Scan:
        return scan(bytes(self.raw), BLOCK, LAYOUT, base)


def counted(found: Scan) -> list[int]:
    return [frame.address for frame in found.counted()]


def test_frames_behind_a_statement_count() -> None:
    block = Block()
    block.state(0)
    first, second = block.frame(b"one"), block.frame(b"two")
    found = block.scan()
    assert counted(found) == [first, second]
    assert (found.base, found.end, found.trace_end, found.gaps) == (BASE, block.end, block.end, [])


def test_frames_of_another_life_or_another_block_do_not_count() -> None:
    block = Block()
    block.state(0)
    block.frame(b"one")
    assert scan(bytes(block.raw), BLOCK + 1, LAYOUT).statements == []
    again = Statement(settings_of(CONFIG, GEOMETRY), BASE + 7, 0, 1, 1, 0)
    block.put(LAYOUT.statement_at(0), encode_statement(BLOCK, again))
    assert counted(block.scan()) == []


def test_a_statement_makes_void_what_stands_from_its_end_up_to_its_place() -> None:
    block = Block()
    block.state(0)
    kept, void = block.frame(b"kept"), block.frame(b"void")
    block.state(2 * PAGE, end=void)
    later = block.frame(b"later")
    found = block.scan()
    assert counted(found) == [kept, later]
    assert found.voids() == [(void, 2 * PAGE)]
    assert [said.at for said in found.counted_statements()] == [0, 2 * PAGE]


def test_what_is_void_itself_makes_nothing_void() -> None:
    """The newest is believed first: a statement that a later one makes void had tried the same in vain."""
    block = Block()
    block.state(0)
    kept, doubtful = block.frame(b"kept"), block.frame(b"doubtful")
    block.state(2 * PAGE, end=kept)  # void: only what the next one says counts
    tried = 2 * PAGE
    block.state(4 * PAGE, end=tried)
    found = block.scan()
    assert counted(found) == [kept, doubtful]
    assert [said.at for said in found.counted_statements()] == [0, 4 * PAGE]


def test_a_skip_makes_void_what_stands_before_it_and_is_no_frame_of_the_log() -> None:
    block = Block()
    block.state(0)
    kept, void = block.frame(b"kept"), block.frame(b"void")
    block.skip(void, 3 * PAGE)
    later = block.frame(b"later")
    found = block.scan()
    assert counted(found) == [kept, later]
    assert [frame.kind for frame in found.valid()] == [Kind.NAME, Kind.SKIP, Kind.NAME]
    assert found.damage() is None


def test_a_gap_is_damage_unless_it_is_void_or_nothing_sound_follows() -> None:
    block = Block()
    block.state(0)
    torn = block.frame(b"torn")
    block.raw[torn + 16] ^= 1
    assert block.scan().damage() is None
    assert (block.scan().end, block.scan().trace_end) == (LAYOUT.first, block.end)
    after = block.frame(b"after")
    assert block.scan().damage() == (torn, after)
    assert block.scan().damage(stop=torn) is None
    block.state(2 * PAGE, end=torn)
    assert block.scan().damage() is None


def test_a_closed_block_has_frames_up_to_its_end() -> None:
    block = Block()
    block.state(0)
    block.frame(b"sound")
    torn = block.frame(b"torn")
    block.raw[torn + 16] ^= 1
    found = block.scan()
    for sealed in (True, False):
        assert hurt_in(found, block.end, sealed) == (torn, block.end)
    assert hurt_in(found, NOWHERE, sealed=False) is None, "where an open block goes on, its end may be torn"


def test_frames_reach_up_to_where_a_statement_voids_the_rest() -> None:
    block = Block()
    block.state(0)
    block.frame(b"sound")
    end = block.frame(b"gone")
    block.raw[end : block.end] = b"\xff" * (block.end - end)
    for begin, damage in ((end, None), (end + 10, (end, end + 10))):
        found = block.scan()
        found.skips[begin + 100] = begin
        assert found.damage() == damage


def carried(name: bytes) -> bytes:
    return codec.encode_frame(Kind.NAME ^ INNER, 1, 0, 1, name, SALT)


def test_a_frame_within_a_statement_counts_with_it() -> None:
    block = Block()
    block.state(0)
    block.frame(b"again")
    block.state(2 * PAGE, end=LAYOUT.first, inner=carried(b"again"))
    (frame,) = block.scan().counted()
    assert frame.kind == Kind.NAME
    assert frame.address > 2 * PAGE


def test_a_frame_within_a_statement_that_can_not_be_read_never_counts() -> None:
    """Its own checksum holds, yet another statement may have carried it since."""
    block = Block()
    block.state(0)
    first = block.frame(b"first")
    block.order += 1
    block.state(2 * PAGE, end=NOWHERE, inner=carried(b"second"), sealed=False)
    assert counted(block.scan()) == [first]
    assert list(block.scan().ends) == [BASE + block.order - 1]
    block.put(6 * PAGE, carried(b"second"))  # nor where a frame might stand
    assert counted(block.scan()) == [first]


def test_a_carried_frame_begins_a_run_of_its_own() -> None:
    """It stands in a statement, so a read could not go on from the frame before it."""
    block = Block()
    block.state(0)
    data = [block.frame(b"abcd", Kind.DATA)]
    block.put(data[0], codec.encode_frame(Kind.DATA, 1, 0, 1, b"abcd", SALT))
    inner = codec.encode_frame(Kind.DATA ^ INNER, 1, 4, 2, b"efgh", SALT)
    block.order = 3
    block.state(2 * PAGE, end=LAYOUT.first + 24, inner=inner)
    assert [run.length for run in table_of(LAYOUT, block.scan()).runs] == [4, 4]


def test_frames_may_stand_before_the_first_statement_of_a_block() -> None:
    """Where the last dead block took what it was to make room for. The statement says the base they count from."""
    block = Block()
    block.end = LAYOUT.first
    first, second = block.frame(b"moved"), block.frame(b"moved too")
    block.state(3 * PAGE, end=NOWHERE)
    third = block.frame(b"new")
    assert counted(block.scan()) == [first, second, third]
    assert block.scan().base == BASE


def test_without_its_statement_a_block_needs_a_base_from_elsewhere() -> None:
    block = Block()
    block.state(0, sealed=False)
    first = block.frame(b"one")
    assert counted(block.scan()) == []
    assert counted(block.scan(BASE)) == [first]
    assert counted(block.scan(BASE + 1)) == []


def test_only_what_stands_before_a_stop_counts() -> None:
    block = Block()
    block.state(0)
    first, second = block.frame(b"one"), block.frame(b"two")
    block.state(2 * PAGE)
    found = block.scan()
    assert [frame.address for frame in found.counted(second)] == [first]
    assert [said.at for said in found.counted_statements(second)] == [0]
