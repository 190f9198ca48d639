"""Building an image: the same bytes for the same files, every name fault told first, and room that is missing."""

from __future__ import annotations

import os
import random
import re
from pathlib import Path

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.bridges.images.build import BadDirectory, build_image, faults_of_names
from simfs.flash.datasheet import Datasheet
from simfs.flash.parts import generic
from simfs.store.format.settings import check_fit

SHEET = generic(64, block_bytes=1024, page_bytes=256)
CONFIG = StoreConfig(buffer_bytes=64, name_bytes=24)


def put(root: Path, contents: dict[str, bytes]) -> Path:
    for name, data in contents.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return root


def built(root: Path, blocks: int = 24, config: StoreConfig = CONFIG, prefix: str = "/") -> Store:
    return build_image(root, SHEET, blocks, config, prefix)[0]


TREE = {"a.csv": b"1,2\n" * 100, "log/b.bin": bytes(range(256)) * 3, "log/deep/c": b"", "z": b"\xff" * 50}


def test_the_image_holds_every_file_byte_for_byte(tmp_path: Path) -> None:
    image = built(put(tmp_path, TREE)).flash.image()
    assert len(image) == 24 * 1024
    store = Store.mount(NorFlash.from_image(image, datasheet=SHEET), read_only=True)
    assert store.names() == sorted("/" + name for name in TREE)
    for name, data in TREE.items():
        with store.open("/" + name) as file:
            assert file.read() == data
    assert store.check() == []


def test_order_times_and_permissions_leave_no_trace(tmp_path: Path) -> None:
    one = put(tmp_path / "one", TREE)
    other = put(tmp_path / "other", dict(reversed(TREE.items())))
    os.utime(other / "z", (1, 1))
    (other / "a.csv").chmod(0o400)
    assert built(one).flash.image() == built(other).flash.image()
    (other / "z").write_bytes(b"\xff" * 49 + b"\xfe")
    assert built(one).flash.image() != built(other).flash.image()


def test_the_prefix_stands_before_each_name(tmp_path: Path) -> None:
    put(tmp_path, {"a": b"1", "b/c": b"2"})
    assert built(tmp_path, prefix="/x/").names() == ["/x/a", "/x/b/c"]
    assert built(tmp_path, prefix="").names() == ["a", "b/c"]


def test_empty_directories_are_reported(tmp_path: Path) -> None:
    put(tmp_path, {"a": b"1"})
    (tmp_path / "none" / "below").mkdir(parents=True)
    assert build_image(tmp_path, SHEET, 24, CONFIG)[1] == ["none/below"]


def test_what_is_no_file_is_a_fault_and_is_not_followed(tmp_path: Path) -> None:
    root = put(tmp_path / "root", {"a": b"1"})
    (root / "out").symlink_to(tmp_path)
    (root / "gone").symlink_to(tmp_path / "nothing")
    os.mkfifo(root / "pipe")
    with pytest.raises(BadDirectory) as caught:
        built(root)
    assert [fault.partition(": ")[2].partition("; ")[0] for fault in caught.value.faults] == [
        '"gone" is a link',
        '"out" is a link',
        '"pipe" is neither a file nor a directory',
    ]


def test_every_name_fault_is_listed(tmp_path: Path) -> None:
    root = put(tmp_path, {"x" * 23: b"", "y" * 30: b"", "Log": b"", "log2": b"", "LOG2": b"", "log/a": b""})
    with pytest.raises(BadDirectory) as caught:
        built(root, config=StoreConfig(name_bytes=24, fold_case=True))
    text = "\n".join(caught.value.faults)
    assert len(caught.value.faults) == 4
    assert "it has 24 bytes, 23 fit" in text
    assert "it has 31 bytes, 23 fit" in text
    assert 'after folding case it is the same as "/LOG2"' in text
    assert '"/Log" would be a file and the directory of "/log/a"' in text


@pytest.mark.parametrize(
    ("names", "config", "faults"),
    [
        (["/a", "/a.b", "/ab/c"], {}, []),
        (["/a", "/a/b"], {}, ['"/a" would be a file and the directory of "/a/b"']),
        (["/a", "/a/b/c/d"], {}, ['"/a" would be a file and the directory of "/a/b/c/d"']),
        (["/A", "/a/b"], {}, []),
        (["/A", "/a/b"], {"fold_case": True}, ['"/A" would be a file and the directory of "/a/b"']),
        (["/ÜBER", "/über"], {"fold_case": True}, []),
        (["/a\0b"], {}, ['"/a\0b" holds a NUL, which no name can']),
        ([""], {}, ["a name is empty"]),
        (["/12345678", "/12345679"], {"name_bytes": 9, "overlong": "cut"}, ["cut", "cut", "after cutting"]),
        (["/12345678"], {"name_bytes": 9}, ["it has 9 bytes, 8 fit"]),
        (["/1234567"], {"name_bytes": 9}, []),
        (["/äö"], {"name_bytes": 6}, []),
        (["/äö"], {"name_bytes": 5}, ["it has 5 bytes, 4 fit"]),
    ],
)
def test_faults_of_names(names: list[str], config: dict[str, object], faults: list[str]) -> None:
    found = sorted(faults_of_names(names, StoreConfig(**config)))  # type: ignore[arg-type]
    assert len(found) == len(faults)
    assert all(any(expected in fault for fault in found) for expected in faults)


def test_the_missing_room_that_is_reported_is_what_is_missing(tmp_path: Path) -> None:
    root = put(tmp_path, {f"f{number}": bytes([number]) * 900 for number in range(12)})
    needed = next(count for count in range(5, 64) if _fits(root, count))
    for count in (needed - 1, needed - 5):
        with pytest.raises(BadDirectory) as caught:
            built(root, count)
        (fault,) = caught.value.faults
        assert f"a store of at least {needed} erase blocks ({needed * 1024:,} bytes) is needed; " in fault
        assert f"this one has {count}: {(needed - count) * 1024:,} bytes are missing" in fault


def _fits(root: Path, count: int) -> bool:
    try:
        built(root, count)
    except BadDirectory:
        return False
    return True


def test_a_directory_far_too_large_is_not_read(tmp_path: Path) -> None:
    with open(tmp_path / "huge", "wb") as file:
        file.truncate(1 << 40)
    with pytest.raises(BadDirectory, match="even the largest store of such erase blocks is too small, 65,534 of them"):
        built(tmp_path)


@pytest.mark.parametrize("seed", range(12))
def test_the_number_that_is_said_first_is_enough_and_one_less_is_not(tmp_path: Path, seed: int) -> None:
    """Of random files on random geometries."""
    chance = random.Random(seed)
    few, sheet, config = next(filter(None, (_random_store(chance) for _ in range(100))))
    sizes: list[int] = []
    while sum(sizes) < few * sheet.block_bytes:
        sizes.append(chance.choice((0, 1, chance.randrange(100), chance.randrange(4000))))
    for at, size in enumerate(sizes):
        (tmp_path / f"{at}{'n' * chance.randrange(16)}").write_bytes(chance.randbytes(size))
    with pytest.raises(BadDirectory) as caught:
        build_image(tmp_path, sheet, few, config)
    (said,) = map(int, re.findall(r"at least (\d+) erase blocks", caught.value.faults[0]))
    build_image(tmp_path, sheet, said, config)
    smaller = Store.format(NorFlash(said - 1, datasheet=sheet), config)
    with pytest.raises(OSError, match="No space left"):
        _fill(smaller, tmp_path)


def _fill(store: Store, root: Path) -> None:
    """In the order of a build, by the store itself."""
    for path in sorted(root.iterdir()):
        with store.open(f"/{path.name}", "x") as file:
            file.write(path.read_bytes())


def _random_store(chance: random.Random) -> tuple[int, Datasheet, StoreConfig] | None:
    """So many blocks as it takes at the least; None for settings that no store can have."""
    page = chance.choice((64, 256))
    sheet = generic(
        4096, block_bytes=page * chance.choice((16, 32)), page_bytes=page,
        program_unit_bytes=chance.choice((1, 1, 4)), page_programs_max=chance.choice((0, 0, 16)),
    )  # fmt: skip
    config = StoreConfig(
        name_bytes=chance.choice((24, 48)), log_heads=chance.choice((1, 2)), buffer_bytes=chance.choice((64, 256)),
        packing=chance.choice(("byte", "page")), reserve_blocks=chance.choice((None, 4)),
    )  # fmt: skip
    for count in range(3, 20):
        try:
            check_fit(sheet.geometry(count), config)
        except ValueError:
            continue
        return count, sheet, config
    return None
