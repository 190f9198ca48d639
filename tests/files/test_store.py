"""What only a store on flash has: room that runs out, limits, a working prefix, mounts that may not write."""

import errno
from random import Random
from typing import Any

import pytest

from simfs import NorFlash, PowerCut, Store, StoreConfig
from simfs.files.model import Model
from simfs.flash import Cut, Faults, Plan
from tests.support.sides import errno_of

SMALL: dict[str, Any] = {"block_count": 10, "block_bytes": 4096, "page_bytes": 256}
LAYOUTS: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "one head": (SMALL, {}),
    "two heads": (SMALL, {"log_heads": 2}),
    "pages": (SMALL, {"packing": "page"}),
    "units of 16": ({**SMALL, "program_unit_bytes": 16}, {}),
    "eight programs a page": ({**SMALL, "page_programs_max": 8}, {}),
    "large erase blocks": ({**SMALL, "block_count": 6, "block_bytes": 16384}, {}),
    "small erase blocks": ({"block_count": 24, "block_bytes": 1024, "page_bytes": 128}, {"buffer_bytes": 64}),
    "random cleaner": (SMALL, {"cleaner": "random"}),
}


def formatted(layout: str, **config: Any) -> Store:
    sizes, settings = LAYOUTS[layout]
    return Store.format(NorFlash(**sizes), StoreConfig(**settings | config))


def contents(store: Store) -> dict[str, bytes]:
    seen = {}
    for name in store.names():
        with store.open(name, "r") as file:
            seen[name] = file.read()
    return seen


def fill(store: Store, random: Random, size_max: int) -> dict[str, bytes]:
    """Creates files until the store refuses; what must be in it."""
    kept: dict[str, bytes] = {}
    for number in range(100_000):
        name, data = f"/fill/{number}", random.randbytes(random.randrange(size_max))
        refused = errno_of(lambda name=name: store.open(name, "w").close())
        if refused is None:
            with store.open(name, "r+") as file:
                refused = errno_of(file.write, data)
            kept[name] = b"" if refused else data
        if refused is not None:
            assert refused == errno.ENOSPC
            return kept
    raise AssertionError("never full")


def room_of(store: Store, files: dict[str, bytes]) -> int:
    """Room that these files take with their names and the removals kept ready, in bytes."""
    layout = store._volume.state.layout
    return sum(2 * layout.frame_cost(len(name)) + layout.cost(len(data)) for name, data in files.items())


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("size_max", [1, 60, 900, 5000])
def test_a_full_store_refuses_keeps_and_can_always_delete(layout: str, size_max: int) -> None:
    store, random = formatted(layout), Random(size_max)
    first = kept = fill(store, random, size_max)
    assert len(first) > 1
    for _ in range(2):
        assert contents(store) == kept
        assert store.check() == []
        store = Store.mount(store.flash)
        assert contents(store) == kept
        for name in random.sample(sorted(kept), len(kept)):
            store.remove(name)
        assert store.names() == []
        assert store.check() == []
        kept = fill(store, random, size_max)
        assert room_of(store, kept | {"/refused": bytes(size_max)}) > 0.9 * room_of(store, first)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_full_store_still_takes_in_what_deleting_makes_room_for(layout: str) -> None:
    store, random = formatted(layout), Random(7)
    kept = fill(store, random, 700)
    refused = 0
    for _ in range(200):
        old = random.choice(sorted(kept))
        store.remove(old)
        data = kept.pop(old)
        if errno_of(lambda old=old: store.open(old, "x").close()) is None:
            with store.open(old, "r+") as file:
                kept[old] = b"" if errno_of(file.write, data) else data
        refused += kept.get(old) != data
    assert refused < 20
    assert contents(store) == kept
    assert store.check() == []
    assert contents(Store.mount(store.flash)) == kept


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_store_full_of_names_keeps_room_to_remove_each(layout: str) -> None:
    """Creating a file takes its name and promises the room of its removal: both must fit."""
    store = formatted(layout, name_bytes=100, buffer_bytes=16)
    names: list[str] = []
    while errno_of(lambda: store.open(f"/{len(names):098}", "x").close()) is None:
        names.append(f"/{len(names):098}")
    usage = store.usage()
    assert usage.live_bytes <= usage.capacity_bytes < usage.live_bytes + 2 * 256
    for name in names:
        store.remove(name)
    assert store.check() == []


@pytest.mark.parametrize("layout", LAYOUTS)
def test_lack_of_room_never_comes_first_at_close_or_flush(layout: str) -> None:
    store, random = formatted(layout), Random(3)
    files = [store.open(f"/{number}", "w") for number in range(6)]
    written = [b""] * 6
    refused = 0
    while refused < 40:
        which = random.randrange(6)
        data = random.randbytes(random.randrange(1, 200))
        number = errno_of(files[which].write, data)
        if number is None:
            written[which] += data
        else:
            assert number == errno.ENOSPC
            refused += 1
        assert files[which].tell() == len(written[which])
        if random.random() < 0.1:
            files[which].flush()
    for file in files:
        file.close()
    assert contents(store) == {f"/{number}": data for number, data in enumerate(written)}
    assert store.check() == []
    assert contents(Store.mount(store.flash)) == contents(store)


def test_a_write_that_can_never_fit_is_refused_whole() -> None:
    store = formatted("one head")
    with store.open("/a", "w+") as file:
        file.write(b"abc")
        with pytest.raises(OSError, match="space") as caught:
            file.write(bytes(100_000))
        assert (caught.value.errno, caught.value.filename) == (errno.ENOSPC, "/a")
        assert file.tell() == 3
    assert contents(store) == {"/a": b"abc"}


@pytest.mark.parametrize("size", [2**31, 2**32 - 1, 2**32, 2**40, 2**62])
def test_sizes_beyond_all_reason(size: int) -> None:
    """Zeros cost nothing on flash, so a huge hole may be taken in; else it is refused as POSIX does. Never a crash."""
    store = formatted("one head")
    with store.open("/a", "w+") as file:
        file.write(b"abc")
        file.seek(size)
        for grow in (lambda: file.truncate(size), lambda: file.write(b"x"), lambda: store.truncate("/a", size)):
            number = errno_of(grow)
            if number is None:
                assert store.stat("/a").size_bytes >= size
                store.truncate("/a", 3)
            else:
                assert number in (errno.EFBIG, errno.ENOSPC)
                assert store.stat("/a").size_bytes == 3
            file.seek(0)
            assert file.read(10) == b"abc"
            file.seek(size)
    assert store.check() == []
    assert Store.mount(store.flash).stat("/a").size_bytes == 3


def test_the_largest_size_is_4_gib_less_1() -> None:
    store = formatted("one head")
    with store.open("/a", "w+") as file:
        file.seek(2**32 - 2)
        assert file.write(b"x") == 1
        for grow in (lambda: file.write(b"y"), lambda: file.truncate(2**32), lambda: store.truncate("/a", 2**32)):
            with pytest.raises(OSError, match="File too large") as caught:
                grow()
            assert (caught.value.errno, caught.value.filename) == (errno.EFBIG, "/a")
        assert file.seek(0, 2) == 2**32 - 1
        file.seek(-3, 2)
        assert file.read() == b"\0\0x"
    assert Store.mount(store.flash).stat("/a").size_bytes == 2**32 - 1


def test_open_files_have_a_limit() -> None:
    store = formatted("one head", open_files_max=2)
    first, second = store.open("/a", "w"), store.open("/a", "r")
    assert store.files_open == 2
    for name, mode in [("/b", "w"), ("/a", "w"), ("/a", "r"), ("/a", "x")]:
        with pytest.raises(OSError, match="Too many open files") as caught:
            store.open(name, mode)
        assert (caught.value.errno, caught.value.filename) == (errno.EMFILE, name)
    assert store.names() == ["/a"]
    first.close()
    store.open("/b", "w").close()
    second.close()
    assert store.files_open == 0


def test_appends_go_together_only_where_each_could_open_its_file() -> None:
    store = Store.format(NorFlash(**SMALL), StoreConfig(open_files_max=1))
    store.open("/a", "w").close()
    assert store.stretch("/a") is not None
    with store.open("/a", "r"):
        assert store.stretch("/a") is None
    assert store.stretch("/b") is None


@pytest.mark.parametrize("make", [Model, lambda config: Store.format(NorFlash(16), config)], ids=["model", "store"])
class TestNames:
    def test_the_working_prefix(self, make: Any) -> None:
        store = make(StoreConfig())
        store.prefix = "/log/"
        store.open("a", "w").close()
        store.open("/b", "w").close()
        assert store.names() == ["/b", "/log/a"]
        assert store.names("/log/") == ["/log/a"]
        assert store.exists("a")
        assert not store.exists("b")
        store.rename("a", "c")
        store.rename("/b", "b")
        assert store.names() == ["/log/b", "/log/c"]
        store.truncate("b", 3)
        assert store.stat("/log/b").size_bytes == store.stat("b").size_bytes == 3
        store.remove("b")
        store.prefix = ""
        assert store.names() == ["/log/c"]
        assert not store.exists("c")

    def test_a_file_and_a_longer_path_may_both_be(self, make: Any) -> None:
        store = make(StoreConfig())
        for name in ("/a", "/a/b", "/a/", "/", " "):
            store.open(name, "w").close()
        assert store.names() == [" ", "/", "/a", "/a/", "/a/b"]
        assert store.names("/a/") == ["/a/", "/a/b"]

    def test_names_are_sorted_as_strings(self, make: Any) -> None:
        store = make(StoreConfig(fold_case=True))
        names = ["b", "B2", "a", "Z", "ä", "€", "\udcff", b"\xfe", "\U0001f600", "_"]
        for name in names:
            store.open(name, "w").close()
        assert store.names() == sorted(name if isinstance(name, str) else "\udcfe" for name in names)

    def test_folding(self, make: Any) -> None:
        store = make(StoreConfig(fold_case=True))
        with store.open("/Log", "w") as file:
            file.write(b"abc")
        with pytest.raises(FileExistsError):
            store.open("/LOG", "x")
        with store.open("/LOG", "a") as file:
            file.write(b"def")
        assert store.names() == ["/Log"]
        assert store.stat("/loG").size_bytes == 6
        store.open("/lOG", "w").close()
        assert store.names() == ["/Log"]
        store.rename("/log", "/LOG")
        assert store.names() == ["/LOG"]
        store.open("/ä", "w").close()
        store.open("/Ä", "x").close()
        store.remove("/Log")
        assert store.names() == ["/Ä", "/ä"]

    def test_a_prefix_is_plain_text_whatever_the_store_folds(self, make: Any) -> None:
        store = make(StoreConfig(fold_case=True))
        for name in ("/Log/a", "/log/b", "/LOGIC"):
            store.open(name, "w").close()
        assert store.names("/log/") == ["/log/b"]
        assert store.names("/L") == ["/LOGIC", "/Log/a"]
        assert store.names("/lOG") == []
        assert store.names("/Log/a") == ["/Log/a"]

    def test_cut_names_collide_silently(self, make: Any) -> None:
        store = make(StoreConfig(name_bytes=8, overlong="cut"))
        with store.open("/log/2031", "w") as file:
            file.write(b"abc")
        with store.open("/log/2032", "w") as file:
            file.write(b"de")
        assert store.names() == ["/log/20"]
        assert store.stat("/log/20").size_bytes == 2
        store.open("/log/€€", "w").close()
        assert store.names() == ["/log/20", "/log/\udce2\udc82"]
        store.remove("/log/€")
        assert store.names() == ["/log/20"]

    @pytest.mark.parametrize(
        ("call", "number", "name"),
        [
            (lambda store: store.open("/no", "r"), errno.ENOENT, "/no"),
            (lambda store: store.open("/no", "r+"), errno.ENOENT, "/no"),
            (lambda store: store.open("/a", "x"), errno.EEXIST, "/a"),
            (lambda store: store.open("", "w"), errno.ENOENT, ""),
            (lambda store: store.open("/" + "n" * 47, "w"), errno.ENAMETOOLONG, "/" + "n" * 47),
            (lambda store: store.stat("/no"), errno.ENOENT, "/no"),
            (lambda store: store.remove("/no"), errno.ENOENT, "/no"),
            (lambda store: store.rename("/no", "/b"), errno.ENOENT, "/no"),
            (lambda store: store.truncate("/no", 1), errno.ENOENT, "/no"),
            (lambda store: store.truncate("/a", -1), errno.EINVAL, "/a"),
        ],
    )
    def test_errors_carry_number_and_name(self, make: Any, call: Any, number: int, name: str) -> None:
        store = make(StoreConfig())
        store.open("/a", "w").close()
        with pytest.raises(OSError, match=r"Errno") as caught:
            call(store)
        assert (caught.value.errno, caught.value.filename) == (number, name)
        assert type(caught.value) is type(OSError(number, ""))
        assert store.names() == ["/a"]

    def test_wrong_direction(self, make: Any) -> None:
        store = make(StoreConfig())
        with store.open("/a", "w") as file, pytest.raises(OSError, match="not open for reading") as caught:
            file.read()
        assert (caught.value.errno, caught.value.filename) == (errno.EBADF, "/a")
        with store.open("/a", "r") as file, pytest.raises(OSError, match="not open for writing") as caught:
            file.write(b"")
        assert (caught.value.errno, caught.value.filename) == (errno.EBADF, "/a")


def test_the_longest_names() -> None:
    store = formatted("one head", name_bytes=256)
    long, longer = "/" + "n" * 254, "/" + "m" * 254
    store.open(long, "w").close()
    store.rename(long, longer)
    store = Store.mount(store.flash)
    assert store.names() == [longer]
    store.remove(longer)
    assert Store.mount(store.flash).names() == []


def test_cut_names_are_counted() -> None:
    store = formatted("one head", name_bytes=8, overlong="cut")
    store.open("/log/2031", "w").close()
    store.open("/log/20", "a").close()
    assert store.meters.names_cut == 1
    for _ in range(3):
        store.open("/log/2031", "a").close()
    assert store.meters.names_cut == 4


def test_a_read_only_mount_refuses_to_write() -> None:
    store = formatted("one head")
    with store.open("/a", "w") as file:
        file.write(b"abc")
    image = store.flash.image()
    still = Store.mount(store.flash, read_only=True)
    for call in (
        lambda: still.open("/a", "r+"),
        lambda: still.open("/a", "w"),
        lambda: still.open("/b", "a"),
        lambda: still.remove("/a"),
        lambda: still.rename("/a", "/b"),
        lambda: still.truncate("/a", 1),
    ):
        with pytest.raises(OSError, match="ead-only") as caught:
            call()
        assert caught.value.errno == errno.EROFS
    with still.open("/a", "r") as file:
        assert file.read() == b"abc"
    assert still.names() == ["/a"]
    assert store.flash.image() == image


@pytest.mark.parametrize("name", ["", "/" + "n" * 60, "/a\0", "/no"])
def test_what_is_no_name_of_a_file_does_not_exist(name: str) -> None:
    store = formatted("one head")
    store.open("/a", "w").close()
    assert store.exists(name) is False
    assert store.exists("/a") is True


def test_files_close_silently_after_a_power_cut_and_what_waited_is_lost() -> None:
    store = Store.format(NorFlash(**SMALL, faults=Plan(Faults(cuts=(Cut(at=40, of="program"),)))))
    files = [store.open(f"/{number}", "w") for number in range(3)]

    def fill() -> None:
        for number in range(600):
            files[number % 3].write(b"x" * 100)

    with pytest.raises(PowerCut):
        fill()
    image = store.flash.image()
    for file in files:
        file.close()
        assert file.closed
    assert store.files_open == 0
    store.flash.power_on()
    assert store.flash.image() == image
    store = Store.mount(store.flash)
    assert {len(data) for data in contents(store).values()} <= set(range(0, 20_000, 256))
    assert store.check() == []


def test_what_waits_in_a_buffer_is_seen_but_not_on_the_flash() -> None:
    store = formatted("one head")
    file, other = store.open("/a", "w"), store.open("/a", "r")
    programs = store.flash.programs
    file.write(b"abc")
    assert store.flash.programs == programs
    assert store.stat("/a").size_bytes == 3
    assert other.read() == b"abc"
    assert Store.mount(store.flash, read_only=True).stat("/a").size_bytes == 0
    file.flush()
    assert contents(Store.mount(store.flash, read_only=True)) == {"/a": b"abc"}
    programs = store.flash.programs
    file.flush()
    other.close()
    file.close()
    assert store.flash.programs == programs, "nothing waited, so nothing had to be written"


def test_truncating_at_open_lasts_at_once() -> None:
    store = formatted("one head")
    with store.open("/a", "w") as file:
        file.write(b"abc")
    file = store.open("/a", "w")
    assert contents(Store.mount(store.flash, read_only=True)) == {"/a": b""}
    file.close()
