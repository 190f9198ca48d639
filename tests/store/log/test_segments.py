"""What a change of block, a statement between, an exchange and an erase ahead program, in their order; and what comes
of a named block that fails."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.flash import Error, Faults, Plan
from simfs.store.format.codec import Kind
from simfs.store.log.statements import NAMED
from simfs.store.tables.blocks import State
from simfs.store.tables.listener import Cause, StoreListener
from tests.support.on_flash import churn, contents, frames_on, mounted, put, statements_on

SIZE, PAGE = 1024, 128


@dataclass
class Steps(StoreListener):
    """What is done, in words, each with its block."""

    store: Store
    done: list[tuple[str, int]] = field(default_factory=list)

    def programmed(self, address: int, data: bytes, cause: Cause) -> None:
        layout, (block, at) = self.store._volume.state.layout, divmod(address, SIZE)
        marks = {layout.left_at: "LEFT", layout.sealing_at: "SEALING"}
        words = {"log record": "statement", "data": "data", "name": "name", "relocation": "moved"}
        if at in marks:
            word = marks[at]
        elif at + len(data) == layout.seal_end:
            word = "seal"
        elif cause == Cause.LOG_RECORD and not any(data):
            word = "mark"
        else:
            word = words[cause.value]
        if not self.done or self.done[-1] != (word, block):
            self.done.append((word, block))

    def erased(self, block: int, cause: Cause) -> None:
        self.done.append(("erase", block))


def new_store(*errors: Error, blocks: int = 8, **settings: object) -> Store:
    flash = NorFlash(blocks, SIZE, PAGE, faults=Plan(Faults(errors=errors)))
    chosen = {"buffer_bytes": 64, "name_bytes": 16, "level_threshold": 0, **settings}
    return Store.format(flash, StoreConfig(**chosen))  # type: ignore[arg-type]


def steps_of(store: Store) -> list[tuple[str, int]]:
    heard = Steps(store)
    store.listen(heard)
    return heard.done


def newest(store: Store) -> tuple[int, ...]:
    """The named blocks of the newest statement."""
    found = statements_on(store.flash).values()
    return max((said for statements in found for said in statements), key=lambda said: said.number).named


@pytest.mark.parametrize("heads", [1, 2])
def test_names_are_always_there(heads: int) -> None:
    """After each change the newest statement names what RAM has as named, and as a rule two blocks."""
    store, fewer = new_store(blocks=12, log_heads=heads), 0
    for number in range(200):
        put(store, f"f{number % 5}", bytes([number]) * (number % 200))
        blocks = store._volume.state.blocks
        assert set(blocks.named) <= set(newest(store))
        assert all(blocks.state[block] in (State.FREED, State.READY) for block in blocks.named)
        fewer += len(blocks.named) < NAMED
        if number % 30 == 29:
            store = Store.mount(store.flash)
    assert fewer < 20


def test_a_change_of_block() -> None:
    store = new_store()
    put(store, "a", b"a")
    done = steps_of(store)
    store._volume.state.segments.advance(0)
    assert done == [
        ("LEFT", 0), ("erase", 1), ("SEALING", 0), ("seal", 0), ("statement", 1),
    ]  # fmt: skip
    assert newest(store) == (2, 3)
    (said,) = statements_on(store.flash)[1]
    following = store._volume.state.layout.place(0, said.stop - said.address).next
    assert store.flash.read(SIZE + following, 1) == b"\0", "NEXT comes with END, since the log goes on at once"
    assert contents(store) == mounted(store) == {"a": b"a"}


def test_a_block_is_erased_ahead_once_and_opened_next() -> None:
    """Though it is worn by that, and the other named block is not."""
    store = new_store(idle_cleaning=True)
    put(store, "a", b"a")
    done, segments = steps_of(store), store._volume.state.segments
    assert segments.erase_ahead()
    assert not segments.erase_ahead()
    assert done == [("LEFT", 0), ("erase", 1)]
    assert store._volume.state.blocks.state[1] == State.READY
    assert store.check() == []
    put(store, "b", b"b")
    done.clear()
    segments.advance(0)
    assert [what for what, _ in done] == ["SEALING", "seal", "statement"]
    assert segments.lead == 1
    assert segments.can_erase_ahead
    assert contents(store) == mounted(store) == {"a": b"a", "b": b"b"}


def test_a_statement_between_names_what_has_become_dead() -> None:
    store = new_store()
    put(store, "a", b"a" * 300)
    state = store._volume.state
    while state.blocks.unused_count:  # until none is left to name but what dies
        state.segments.advance(0)
    put(store, "a", b"b")
    while len(state.blocks.named) == NAMED:
        state.segments.advance(0)
    dead = next(block for block in state.blocks.closed if not state.blocks.live[block])
    store._volume.cleaner.clean(dead)
    done, lead, logged = steps_of(store), state.segments.lead, state.log.sequence
    assert state.segments.name()
    assert done == [("mark", lead), ("statement", lead)]
    assert newest(store) == tuple(state.blocks.named)
    assert dead in newest(store)
    assert state.log.sequence == logged + 1
    assert not state.segments.name(), "there is nothing more to name"
    put(store, "b", b"behind it")
    assert contents(store) == mounted(store)
    assert store.check() == []


def test_an_exchange_moves_before_it_states() -> None:
    """What is moved stands behind the place of a first statement; the block that it was in is named."""
    store = new_store()
    put(store, "kept", b"k" * 100)
    state = store._volume.state
    state.segments.advance(0)
    victim = 0
    done = steps_of(store)
    store._volume.cleaner.cause = Cause.RELOCATION
    state.segments.exchange(0, lambda: store._volume.cleaner._move_within(victim))
    lead = state.segments.lead
    assert [what for what, _ in done] == ["LEFT", "erase", "SEALING", "seal", "moved", "mark", "statement"]
    first, *_ = statements_on(store.flash)[lead]
    assert first.at > 0
    node = store._volume.lookup(b"kept")
    assert node is not None
    assert {place // SIZE for place in (*node.places, node.name_place)} == {lead}
    assert victim in state.blocks.freed
    assert contents(store) == mounted(store) == {"kept": b"k" * 100}
    assert store.check() == []


@pytest.mark.parametrize("leaves", ["nothing", "zeros half"])
def test_a_named_block_that_can_not_be_erased_is_bad_and_the_other_is_taken(leaves: str) -> None:
    store = new_store(Error("erase", block=1, for_ever=True, leaves=leaves))
    put(store, "a", b"a")
    state = store._volume.state
    state.segments.advance(0)
    assert state.segments.lead == 2
    assert state.blocks.is_bad(1)
    assert 1 not in newest(store)
    told = [said.left for found in statements_on(store.flash).values() for said in found]
    assert ((1, 0, 0),) in told, "before the BAD frame says so"
    assert [frame.file for frame in frames_on(store.flash) if frame.kind == Kind.BAD] == [1]
    again = Store.mount(store.flash)
    assert again._volume.state.blocks.is_bad(1)
    assert contents(again) == {"a": b"a"}


@pytest.mark.parametrize("program", range(2))
@pytest.mark.parametrize("leaves", ["nothing", "bits half", "all"])
def test_a_named_block_whose_statement_fails_is_bad_and_the_other_is_taken(program: int, leaves: str) -> None:
    """Also where the statement, or even its END, can be read afterwards."""
    store = new_store(Error("program", program, block=1, for_ever=True, leaves=leaves))
    put(store, "a", b"a")
    state = store._volume.state
    state.segments.advance(0)
    assert state.segments.lead == 2
    assert state.blocks.is_bad(1)
    put(store, "b", b"b")
    for again in (Store.mount(store.flash, read_only=True), Store.mount(store.flash)):
        assert contents(again) == {"a": b"a", "b": b"b"}
        assert again._volume.state.blocks.is_bad(1)
    assert again.check() == []


def test_a_statement_between_that_fails_leaves_its_block() -> None:
    """The log goes on in another one, whose statement is newer; which of them has the lower address does not matter."""
    higher = set()
    for rounds in range(40, 100, 7):
        store = new_store()
        churn(store, rounds, size=40)
        state = store._volume.state
        while len(state.blocks.named) == NAMED:
            state.segments.advance(0)
        store._volume.cleaner.clean(next(block for block in state.blocks.closed if not state.blocks.live[block]))
        left, expected = state.segments.lead, contents(store)
        plan = Plan(Faults(errors=(Error("program", 1, leaves="all"),)))  # the first one is the fence
        plan.attach(store.flash.geometry, store.flash.datasheet)
        store.flash._faults = plan
        assert state.segments.name()
        higher.add(state.segments.lead > left)
        assert left in state.blocks.failing
        put(store, "b", b"b")
        assert contents(store) == mounted(store) == expected | {"b": b"b"}
        assert contents(Store.mount(store.flash)) == expected | {"b": b"b"}
    assert higher == {False, True}


def test_a_first_mark_that_fails_leaves_its_block() -> None:
    """NEXT behind the statement that a mount took up."""
    store = new_store(Error("program", 18, block=0, for_ever=True))
    state = store._volume.state
    assert state.segments.next_mark is not None
    put(store, "a", b"a")
    put(store, "b", b"b")
    assert contents(store) == mounted(store) == {"a": b"a", "b": b"b"}
