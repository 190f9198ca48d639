"""Stores that live through one power cut after the other."""

from __future__ import annotations

import errno
from concurrent.futures import ProcessPoolExecutor
from random import Random
from typing import Any

import pytest

from simfs import CorruptStore, NorFlash, PowerCut, Store
from simfs.files.heard import FileCall
from simfs.flash.faults import FlashError
from simfs.flash.interrupted import Profile
from simfs.study.cuts.case_text import Case
from simfs.study.cuts.lives import campaign
from simfs.study.cuts.lives.campaign import live_again, lives_of
from simfs.study.cuts.lives.life import Life
from simfs.study.cuts.lives.session import CHAIN_GAP, NEVER, Session, Violation, sessions
from simfs.study.cuts.lives.shrink import shrink
from simfs.study.cuts.lives.story import Story
from simfs.study.cuts.lives.supply import Supply
from simfs.study.cuts.notes.durability import Persistence
from simfs.study.cuts.notes.history import History
from simfs.study.pools import Here

CASE = (
    "9x1024 page=128; buffer_bytes=64 name_bytes=12 idle_cleaning=True; open #1 /log a; write #1 end 40; flush #1; "
    "open #2 /new w; write #2 end 100; close #2; rename /new /set; idle 2000000000; write #1 end 70; open #3 /set r+; "
    "write #3 5 20; close #3; truncate /set 60; remove /set"
)


@pytest.fixture(scope="module")
def history() -> History:
    return Case.parse(CASE).record()


def small(monkeypatch: pytest.MonkeyPatch, cuts: int = 15) -> None:
    monkeypatch.setattr(campaign, "CUTS_PER_LIFE", cuts)


# Lives


def test_a_sound_store_lives_through_its_cuts(history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    small(monkeypatch)
    found = lives_of(history, 4, executor=Here())
    assert (found.lives, found.cuts, found.broken) == (4, 60, ())
    assert 5 < found.in_recoveries < 50


def test_processes_find_the_same(history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Persistence, "_flush", lambda rule, call: iter(()))
    small(monkeypatch)
    with ProcessPoolExecutor(2) as processes:
        assert lives_of(history, 6, executor=processes) == lives_of(history, 6, executor=Here())


def writes_at_each_mount(read_only_ones: bool) -> Any:
    mount = Store.mount.__func__  # type: ignore[attr-defined]

    def planted(cls: type[Store], flash: NorFlash, read_only: bool = False) -> Store:
        store: Store = mount(cls, flash, read_only)
        if read_only == read_only_ones:
            flash.program(flash.geometry.size_bytes - 1, b"\xff")
        return store

    return classmethod(planted)


def fails(error: Exception) -> Any:
    def planted(*_arguments: object, **_options: object) -> None:
        raise error

    return planted


@pytest.mark.parametrize(
    ("kind", "where", "name", "planted"),
    [
        ("lost", Persistence, "_flush", lambda rule, call: iter(())),
        ("refused", Store, "mount", classmethod(fails(CorruptStore("gone")))),
        ("shut", Store, "read_only", property(lambda store: True)),
        ("read-only writes", Store, "mount", writes_at_each_mount(read_only_ones=True)),
        ("second mount writes", Store, "mount", writes_at_each_mount(read_only_ones=False)),
        ("check", Store, "check", lambda store: ["wrong"]),
        ("operation", Store, "remove", fails(OSError(errno.ENOSPC, "no room"))),
        ("operation", Store, "truncate", fails(OSError(errno.ENOSPC, "no room, they say"))),
        ("crash", Store, "rename", fails(KeyError("block"))),
    ],
)
def test_what_a_store_breaks_has_a_name(
    kind: str, where: type, name: str, planted: Any, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    small(monkeypatch, cuts=40)
    monkeypatch.setattr(campaign, "SHORTENED", 0)
    monkeypatch.setattr(where, name, planted)
    found = lives_of(history, 4, executor=Here())
    assert {life.kind for life in found.broken} == {kind}


def test_what_is_found_only_once_weak_bits_read_otherwise_has_a_name(
    history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    later: list[Supply] = []
    shown = Life.shown
    monkeypatch.setattr(Supply, "read_otherwise", lambda supply: later.append(supply))
    monkeypatch.setattr(Life, "shown", lambda life, store: {"?": b""} if life.supply in later else shown(life, store))
    small(monkeypatch, cuts=40)
    kinds = {life.kind for life in lives_of(history, 4, executor=Here()).broken}
    assert kinds == {"later mount"}


def test_a_mount_that_finds_less_to_write_than_to_read_gives_two_answers(
    history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = Store.names
    monkeypatch.setattr(Store, "names", lambda store: names(store) if store.read_only else [])
    small(monkeypatch)
    kinds = {life.kind for life in lives_of(history, 6, executor=Here()).broken}
    assert kinds == {"two answers", "lost"}  # lost where no read-only mount came before


def test_a_broken_life_is_shrunk_and_lived_again(history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Persistence, "_close", lambda rule, call: iter(()))
    found = lives_of(history, 2, executor=Here())
    first, second = found.broken
    assert second.shortest is None
    assert first.shortest is not None
    assert [call.kind for session in first.shortest for call in session.calls] == ["open", "write", "close"]
    assert live_again(history, list(first.shortest), Profile.PROGRAM) == first.kind == "lost"
    monkeypatch.undo()
    assert live_again(history, list(first.shortest), Profile.PROGRAM) is None


def test_a_session_counts_the_changes_of_its_mount_and_of_each_call(history: History) -> None:
    life = Life(history)
    session: Session[FileCall] = Session(1, NEVER, list(history.calls[:3]))
    life.live(session)
    assert [call.kind for call in session.calls] == ["open", "write", "flush"]
    assert session.changes[0] == 0
    assert session.changes[1] > 0
    assert session.changes[2] == 0
    cut: Session[FileCall] = Session(2, 0, list(history.calls[:3]))
    life.live(cut)
    assert (cut.changes, life.cuts, life.in_recovery) == ([], 1, 1)


# What is done


def calls_of(story: Story, store: Store, files: dict[int, Any], count: int) -> list[tuple[str, str] | None]:
    found = (story.next_call(store, files, store.flash.programs) for _ in range(count))
    return [None if call is None else (call.kind, call.mode or call.name) for call in found]


def test_a_file_lost_in_a_cut_is_opened_again_once(history: History) -> None:
    store = Store.format(NorFlash(16, 1024, 128))
    story = Story(history.calls, (), start=4)  # the write to /new
    assert calls_of(story, store, {}, 3) == [("open", "w"), ("write", ""), ("close", "")]
    story = Story(history.calls, (), start=4)
    store.open("/new", "w").close()
    assert calls_of(story, store, {}, 1) == [("open", "r+")]


def test_the_run_begins_again_and_removes_what_it_left_if_there_was_no_room(history: History) -> None:
    store = Store.format(NorFlash(16, 1024, 128))
    for name in ("/log", "/kept"):
        store.open(name, "w").close()
    story = Story(history.calls, ("/kept",), start=len(history.calls) - 1)
    assert calls_of(story, store, {}, 2) == [("remove", "/set"), ("open", "a")]
    story = Story(history.calls, ("/kept",), start=len(history.calls) - 1)
    story.next_call(store, {}, 0)
    story.refused()
    assert calls_of(story, store, {}, 1) == [("remove", "/log")]
    store.remove("/log")
    assert calls_of(story, store, {}, 1) == [("open", "a")]


def test_the_device_is_switched_off_where_a_whole_run_changes_nothing(history: History) -> None:
    store = Store.format(NorFlash(16, 1024, 128))
    story = Story([FileCall("idle", at=1)], ())
    assert calls_of(story, store, {}, 4) == [("idle", ""), ("idle", ""), None, ("idle", "")]


def test_cuts_in_a_chain_are_close() -> None:
    drawn = sessions(1000, 100, Random(3))
    gaps = [next(drawn).cut_after for _ in range(300)]
    assert sum(gap < CHAIN_GAP for gap in gaps) > 150
    assert max(gaps) > 500
    assert all(
        gap < 20 for gap, _ in zip((one.cut_after for one in sessions(20, 0, Random(1))), range(99), strict=False)
    )


# The supply


def a_flash(supply: Supply) -> NorFlash:
    return NorFlash(4, 256, 64, faults=supply)


def test_the_power_goes_in_the_change_that_was_named() -> None:
    supply = Supply(Profile.PROGRAM)
    flash = a_flash(supply)
    supply.begin(1, 2)
    flash.program(0, b"\0")
    flash.erase(1)
    with pytest.raises(PowerCut):
        flash.program(1, b"\0")
    assert (supply.changes, len(supply.weak)) == (3, 1)


def test_weak_bits_of_all_cuts_live_until_they_are_made_sound() -> None:
    supply = Supply(Profile.PROGRAM)
    flash = a_flash(supply)
    for seed, address in enumerate((0, 64, 256)):
        supply.begin(seed, 0)
        with pytest.raises(PowerCut):
            flash.program(address, b"\0" * 8)
        flash.power_on()
    images = set()
    for seed in range(20):
        supply.begin(seed, NEVER)
        flash.power_on()
        images.add(flash.image())
    assert len(images) > 10
    flash.program(64, b"\0" * 8)
    flash.erase(0)
    assert [piece.address for piece in supply.weak] == [256]


def test_what_is_drawn_follows_from_the_seed_and_the_address_alone() -> None:
    def left(others: int) -> bytes:
        supply = Supply(Profile.PROGRAM)
        flash = a_flash(supply)
        for number in range(others):
            supply.begin(number, 0)
            with pytest.raises(PowerCut):
                flash.erase(3)
            flash.power_on()
        supply.begin(77, 0)
        with pytest.raises(PowerCut):
            flash.program(0, b"\0" * 32)
        flash.power_on()
        return flash.image()[:256]

    assert left(0) == left(3)


def test_a_block_that_fails_fails_for_ever_and_others_work() -> None:
    supply = Supply(Profile.PROGRAM, {("erase", 1): 1, ("program", 2): 0})
    flash = a_flash(supply)
    flash.erase(1)
    for _ in range(2):
        with pytest.raises(FlashError):
            flash.erase(1)
        with pytest.raises(FlashError):
            flash.program(512, b"\0")
    flash.program(256, b"\0")
    flash.erase(2)
    assert supply.errors == 4


def test_bits_are_not_weak_where_they_are_not_to_be() -> None:
    supply = Supply(Profile.PROGRAM, weak=False)
    flash = a_flash(supply)
    supply.begin(0, 0)
    with pytest.raises(PowerCut):
        flash.erase(0)
    assert supply.weak == []


# Shrinking


def lived(planned: list[Session[str]]) -> str | None:
    """Breaks where an "a" comes before a "bbb", and is cut one change after it; a call makes two changes."""
    done = ""
    for number, session in enumerate(planned):
        session.changes = [1, *(2 for _ in session.calls)]
        done += "".join(session.calls)
        if "a" in done and "bbb" in done[done.index("a") :] and session.cut_after == sum(session.changes) - 1:
            del planned[number + 1 :]
            return "lost"
    return None


def test_a_life_is_shrunk_to_what_it_takes() -> None:
    planned = [Session(seed, 8, ["x", "y", "a", "z"]) for seed in range(9)]
    planned += [Session(9, 8, ["x", "bbbbbb", "y", "c"]), Session(10, 1, [])]
    found = shrink(planned, lived, lambda call: call[: len(call) // 2] or None, 10_000)
    assert found is not None
    assert [(session.calls, session.cut_after) for session in found] == [(["a", "bbb"], 4)]
    assert len(planned) == 11, "what was given is as it was"


def test_without_a_violation_there_is_nothing_to_shrink() -> None:
    assert shrink([Session(0, 8, ["x"])], lived, lambda call: None, 100) is None


def test_shrinking_ends_when_so_many_sessions_were_lived() -> None:
    def lived_in_all(sessions_max: int) -> int:
        planned = [Session(seed, 8, ["x", "y", "a", "z"]) for seed in range(9)]
        planned.append(Session(9, 8, ["x", "bbbbbb", "y", "c"]))
        count = 0

        def counted(sessions: list[Session[str]]) -> str | None:
            nonlocal count
            count += len(sessions)
            return lived(sessions)

        assert shrink(planned, counted, lambda call: None, sessions_max) is not None
        return count

    assert lived_in_all(3) <= 3 + 2 * 10  # it is lived once before, and a try is lived to its end
    assert lived_in_all(1000) > 3 + 2 * 10


def test_a_violation_says_its_kind() -> None:
    assert str(Violation("lost", "a file")) == "lost: a file"
