"""What the model alone can say: limits, and which states a power cut may leave (the durability rule)."""

import errno

import pytest

from simfs.files.model import Model
from simfs.store.format.config import StoreConfig


def test_a_cut_loses_what_waits_and_nothing_else() -> None:
    model = Model(StoreConfig(buffer_bytes=16))
    with model.open("sure", "w") as file:
        file.write(b"done")
    file = model.open("half", "w")
    file.write(b"abc")
    file.flush()
    file.write(b"defg")
    assert model.contents() == {"sure": b"done", "half": b"abcdefg"}
    assert model.durable() == {"sure": b"done", "half": b"abc"}
    left = {"sure": b"done", "half": b"abcde"}
    assert model.faults_after_cut(left) == []
    model.restart(left)
    assert model.contents() == model.durable() == {"sure": b"done", "half": b"abcde"}
    assert model.files_open == 0


@pytest.mark.parametrize(
    "left",
    [{}, *({"half": other} for other in (b"ab", b"abcx", b"abcefg", b"abcdefgh")), {"half": b"abc", "other": b""}],
)
def test_other_states_after_a_cut_are_faults(left: dict[str, bytes]) -> None:
    model = Model(StoreConfig(buffer_bytes=16))
    file = model.open("half", "w")
    file.write(b"abc")
    file.flush()
    file.write(b"defg")
    assert len(model.faults_after_cut(left)) == 1


def test_what_was_acknowledged_may_not_change() -> None:
    model = Model(StoreConfig(buffer_bytes=16))
    with model.open("a", "w") as file:
        file.write(b"acknowledged")
    assert model.faults_after_cut({"a": b"acknowledged"}) == []
    for left in (b"acknowledgeX", b"acknowledge", b"acknowledged!", b""):
        assert len(model.faults_after_cut({"a": left})) == 1, left


def test_never_more_than_a_buffer_is_lost() -> None:
    for kept, faults in [(b"", 1), (b"0123", 1), (b"01234", 0), (b"0123456789abcdefghijk", 0)]:
        model = Model(StoreConfig(buffer_bytes=16))
        file = model.open("a", "w")
        file.write(b"0123456789abcdefghijk")
        assert len(model.faults_after_cut({"a": kept})) == faults, kept


def test_bytes_that_were_overwritten_in_the_buffer_are_lost_once() -> None:
    model = Model(StoreConfig(buffer_bytes=16))
    file = model.open("a", "w")
    file.write(b"0123456789abcdefghij")
    file.seek(16)
    file.write(b"ABCD")
    file.seek(16)
    file.write(b"abcdefgh")
    for kept, faults in [(20, 0), (16, 0), (8, 0), (7, 1), (21, 1)]:
        left = b"0123456789abcdefghijk"[:kept]
        assert len(model.faults_after_cut({"a": left})) == faults, kept


def test_create_truncate_rename_and_remove_last_at_once() -> None:
    model = Model()
    model.open("new", "w")
    with model.open("a", "w") as file:
        file.write(b"abc")
    file = model.open("a", "r+")
    file.truncate(1)
    model.rename("a", "b")
    assert model.durable() == {"new": b"", "b": b"a"}
    model.remove("b")
    assert model.durable() == {"new": b""}
    file = model.open("new", "a")
    file.write(b"waits")
    assert model.durable() == {"new": b""}
    model.open("new", "w")
    assert model.durable() == {"new": b""}


def test_open_files_have_a_limit() -> None:
    model = Model(StoreConfig(open_files_max=2))
    first, _second = model.open("a", "w"), model.open("a", "r")
    with pytest.raises(OSError, match="Too many open files") as caught:
        model.open("b", "w")
    assert (caught.value.errno, caught.value.filename) == (errno.EMFILE, "b")
    assert model.names() == ["a"]
    assert (model.exists("a"), model.exists("b"), model.exists("\0")) == (True, False, False)
    first.close()
    model.open("b", "w").close()


def test_folded_names_are_one_file_and_keep_the_case_of_creation() -> None:
    model = Model(StoreConfig(fold_case=True))
    model.open("/Log", "w").close()
    model.open("/LOG", "a").close()
    assert model.names() == ["/Log"]
    assert model.exists("/lOG")
    model.rename("/log", "/LOG")
    assert model.names() == ["/LOG"]


def test_cut_names_collide() -> None:
    model = Model(StoreConfig(name_bytes=5, overlong="cut"))
    model.open("12345", "w").close()
    model.open("12346", "a").close()
    assert model.names() == ["1234"]
    assert model.meters.names_cut == 2
