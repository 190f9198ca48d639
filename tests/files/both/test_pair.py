"""Both roles: what is on which medium while the card is in and out, and after it went in the middle of a write."""

from __future__ import annotations

import errno
import random

import pytest

from simfs.files.both.absences import Absence
from simfs.files.both.notes import NOTES
from simfs.files.both.pair import Pair
from simfs.files.card_store import CardConfig, CardStore
from simfs.files.contract import AnyStore
from simfs.files.model import Model
from simfs.store.format.config import StoreConfig
from tests.files.both.stores import MS, ROLES, S, bring_all, contents, new_pair, put

LOG = "/log/a.csv"


def logged(role: str, *absences: Absence) -> tuple[bytes, Pair]:
    """A reading a second for 20 s; every 5 s what waits is brought to the card. What was written, and the store."""
    pair = new_pair(role, *absences)
    for second in range(20):
        pair.begin(second * S)
        put(pair, LOG, b"%d," % second)
        if second % 5 == 4:
            pair.begin(second * S + S // 2)
            bring_all(pair)
    return b"".join(b"%d," % second for second in range(20)), pair


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("out", [(), (Absence(10 * S, 4 * S),)])
def test_all_comes_to_the_card_once_it_is_back(role: str, out: tuple[Absence, ...]) -> None:
    wanted, pair = logged(role, *out)
    assert contents(pair) == contents(pair.card) == {LOG: wanted}
    assert contents(pair.flash) == ({LOG: wanted} if role == "mirror" else {})
    assert pair.check() == []
    assert (pair.readings.written, pair.readings.only_on_flash, pair.slot.outs) == (20, 0, len(out))


@pytest.mark.parametrize("role", ROLES)
def test_the_flash_keeps_what_comes_while_the_card_is_out(role: str) -> None:
    _, pair = logged(role, Absence(10 * S, 40 * S))
    assert pair.waiting() == []
    assert pair.readings.only_on_flash == 10
    pair.begin(51 * S)
    assert pair.waiting() == [LOG]
    bring_all(pair)
    assert pair.readings.only_on_flash == 0
    assert contents(pair.card)[LOG] == b"".join(b"%d," % second for second in range(20))


@pytest.mark.parametrize("at_ms", range(0, 48, 2))
def test_a_mirror_that_is_pulled_in_a_write_loses_nothing(at_ms: int) -> None:
    wanted, pair = logged("mirror", Absence(10 * S + at_ms * MS, 3 * S))
    assert contents(pair) == {LOG: wanted}
    found = {name: data for name, data in contents(pair.card).items() if not name.startswith("/LOST")}
    assert found == {LOG: wanted}
    assert pair.check() == []


@pytest.mark.parametrize("at_ms", range(0, 48, 2))
def test_a_buffer_that_is_pulled_in_a_drain_repeats_and_loses_none_of_what_it_drains(at_ms: int) -> None:
    wanted, pair = logged("buffer", Absence(9 * S + S // 2 + at_ms * MS, 3 * S))
    found = contents(pair)[LOG]
    drained_before, later = wanted[:10], wanted[10:]
    assert found.endswith(later), "what was on the flash is there, and once"
    assert len(found) <= len(wanted)
    if pair.slot.pulls and pair.slot.pulls[0].torn:
        assert found[: -len(later)] in (drained_before, bytes(10), b""), "a torn sector may cost what stood in it"
    else:
        assert found == wanted
    assert pair.check() == []


def test_a_pull_within_a_write_is_noted_with_the_card_as_before() -> None:
    _, pair = logged("buffer", Absence(9 * S + S // 2 + 16 * MS, 3 * S))
    (pull,) = pair.slot.pulls
    assert pull.torn
    assert pull.left.unreadable
    assert contents(CardStore.mount(pull.before, CardConfig())) == {LOG: b"0,1,2,3,4,"}
    assert pull.sizes == {LOG: (2,) * 5}


def test_a_reset_in_a_drain_repeats_nothing() -> None:
    pair = new_pair("buffer")
    put(pair, LOG, b"old,")
    bring_all(pair)
    put(pair, LOG, b"new,")
    put(pair.flash, NOTES, f"4 {LOG}\n".encode())  # a drain had begun,
    put(pair.card, LOG, b"new,")  # and it had come so far
    again = pair.boot()
    assert contents(again) == {LOG: b"old,new,"}
    bring_all(again)  # type: ignore[arg-type]
    assert contents(again.card) == {LOG: b"old,new,"}  # type: ignore[attr-defined]
    assert not again.exists(NOTES)


def test_a_drain_that_was_done_is_not_undone() -> None:
    pair = new_pair("buffer", Absence(2 * S, 5 * S))
    put(pair, LOG, b"old,")
    bring_all(pair)
    put(pair.flash, NOTES, f"0 {LOG}\n".encode())  # the file is gone from the flash, and the note is not yet
    pair.begin(3 * S)
    again = pair.boot()
    put(again, LOG, b"new,")
    again.begin(8 * S)  # type: ignore[attr-defined]
    bring_all(again)  # type: ignore[arg-type]
    assert contents(again) == {LOG: b"old,new,"}


def test_a_mirror_knows_after_a_reset_which_files_are_behind() -> None:
    pair = new_pair("mirror", Absence(2 * S, 5 * S))
    put(pair, "/a", b"one", "w")
    put(pair, "/b", b"one", "w")
    pair.begin(3 * S)
    put(pair, "/a", b"two", "w")  # as long as before
    pair.remove("/b")
    again = pair.boot()
    assert again.names() == ["/a"]
    again.begin(8 * S)  # type: ignore[attr-defined]
    assert again.waiting() == ["/a", "/b"]  # type: ignore[attr-defined]
    bring_all(again)  # type: ignore[arg-type]
    assert contents(again.card) == contents(again) == {"/a": b"two"}  # type: ignore[attr-defined]


@pytest.mark.parametrize("mode", ["renamed", "in place"])
def test_a_mirror_finds_after_a_reset_what_differs_and_is_as_long(mode: str) -> None:
    """The power went when the flash had done it, and the card had not."""
    pair = new_pair("mirror")
    put(pair, "/settings", b"old", "w")
    if mode == "renamed":
        put(pair, "/settings.new", b"new", "w")
        pair.flash.rename("/settings.new", "/settings")
    else:
        put(pair.flash, "/settings", b"new", "r+")
    again = pair.boot()
    bring_all(again)  # type: ignore[arg-type]
    assert contents(again.card) == contents(again) == {"/settings": b"new"}  # type: ignore[attr-defined]


@pytest.mark.parametrize("seed", range(6))
def test_a_mirror_does_what_the_model_does(seed: int) -> None:
    """With the card in and out at random, and resets."""
    rng = random.Random(seed)
    pair: AnyStore = new_pair("mirror", Absence(30 * S, 20 * S), Absence(90 * S, 5 * S, 11 * S))
    model = Model(StoreConfig(fold_case=True))
    for second in range(150):
        pair.begin(second * S)  # type: ignore[attr-defined]
        name, other, data = rng.choice("abc"), rng.choice("abc"), rng.randbytes(rng.randrange(1, 700))
        deed = rng.choice(("a", "a", "w", "r+", "x", "remove", "rename", "truncate", "boot", "bring"))
        results = []
        for store in (pair, model):
            try:
                if len(deed) <= 2:
                    put(store, f"/{name}", data, deed)
                elif deed == "rename":
                    store.rename(f"/{name}", f"/{other}")
                elif deed in ("remove", "truncate"):
                    getattr(store, deed)(f"/{name}", *([len(data)] if deed == "truncate" else []))
                results.append(0)
            except OSError as error:
                results.append(error.errno)
        assert results[0] == results[1]
        if deed == "boot":
            pair = pair.boot()
        if deed == "bring":
            bring_all(pair)  # type: ignore[arg-type]
        assert contents(pair) == model.contents()
    pair.begin(162 * S)  # type: ignore[attr-defined]
    bring_all(pair)  # type: ignore[arg-type]
    assert contents(pair.card) == model.contents()  # type: ignore[attr-defined]
    assert pair.check() == []


@pytest.mark.parametrize("deed", ["w", "r+", "rename", "truncate"])
def test_readings_of_a_buffer_are_only_appended_to(deed: str) -> None:
    pair = new_pair("buffer")
    put(pair, LOG, b"1,")
    deeds = {"rename": lambda: pair.rename(LOG, "/b"), "truncate": lambda: pair.truncate(LOG, 0)}
    with pytest.raises(OSError, match="only appended") as refused:
        deeds.get(deed, lambda: pair.open(LOG, deed))()
    assert refused.value.errno == errno.EOPNOTSUPP
    assert contents(pair) == {LOG: b"1,"}


def test_a_file_of_readings_is_read_across_card_and_flash() -> None:
    pair = new_pair("buffer", Absence(5 * S, S))
    put(pair, LOG, b"0123")
    bring_all(pair)
    put(pair, LOG, b"4567")
    with pair.open(LOG) as file:
        file.seek(2)
        assert file.read(4) == b"2345"
    assert pair.stat(LOG).size_bytes == 8
    with pair.open(LOG, "a+") as file:
        file.write(b"8")
        file.seek(0)
        assert file.readall() == b"012345678"
    pair.begin(5 * S)
    assert contents(pair) == {LOG: b"45678"}, "what the flash has"
    pair.begin(7 * S)
    pair.remove(LOG)
    assert pair.names() == pair.card.names() == pair.flash.names() == []


def test_the_notes_are_the_firmware_s_own() -> None:
    pair = new_pair("mirror")
    with pytest.raises(OSError, match=r".") as refused:
        pair.open(NOTES, "w")
    assert refused.value.errno == errno.EPERM


def test_a_full_card_does_not_stop_a_mirror() -> None:
    pair = new_pair("mirror", card_kib=64)
    pair.begin(S)
    for number in range(10):
        put(pair, f"/{number}", bytes(8000), "w")
    assert len(pair.names()) == 10
    assert pair.readings.card_refused > 0
    assert (pair.readings.card_full_ns or 0) > S
    assert pair.readings.only_on_flash == len(pair.waiting()) > 0


def test_a_full_flash_refuses_and_counts() -> None:
    pair = new_pair("buffer", Absence(0, S), blocks=8)
    pair.begin(0)

    def fill() -> None:
        while True:
            put(pair, LOG, bytes(1000))

    with pytest.raises(OSError, match=r".") as refused:
        fill()
    assert refused.value.errno == errno.ENOSPC
    assert pair.readings.refused == 1
    pair.begin(2 * S)
    bring_all(pair)
    assert pair.readings.only_on_flash == 0
    assert pair.stat(LOG).size_bytes == 1000 * pair.readings.written


@pytest.mark.parametrize("at_ms", range(2, 30, 3))
def test_a_mirror_copies_every_file_after_a_pull_in_a_write(at_ms: int) -> None:
    pair = new_pair("mirror", Absence(2 * S + at_ms * MS, S))
    for number in range(6):
        put(pair, f"/log/{number}.csv", b"%d" % number * 700, "w")
    pair.begin(2 * S)
    put(pair, "/log/3.csv", b"more")
    pair.begin(5 * S)
    bring_all(pair)
    found = {name: data for name, data in contents(pair.card).items() if not name.startswith("/LOST")}
    assert found == contents(pair)


def test_a_card_that_went_within_a_write_is_not_back_a_moment_before_it_went() -> None:
    pair = new_pair("mirror", Absence(2 * S + 5 * MS, S))
    pair.begin(2 * S)
    put(pair, "/a", b"x")
    assert pair.slot.pulls[0].torn
    spent_ns = pair.slot.spent_ns()
    assert spent_ns < 5 * MS, "the write that was cut took no time"
    pair.begin(2 * S + spent_ns)
    assert (pair.slot.is_in, pair.slot.outs) == (False, 1)
    pair.begin(4 * S)
    assert (pair.slot.is_in, pair.slot.outs) == (True, 1)
