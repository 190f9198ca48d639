"""The image of a mount that is saved while it serves; no kernel."""

from __future__ import annotations

import os
from pathlib import Path
from threading import Event

import pytest

from simfs import NorFlash, Store
from simfs.bridges.mount.operations import Operations
from simfs.bridges.mount.saving import Saving
from simfs.bridges.mount.store import MountedStore

NEW = os.O_RDWR | os.O_CREAT


@pytest.fixture
def mounted() -> MountedStore:
    return MountedStore(Store.format(NorFlash(32)), (0, 0))


def names_in(image: Path) -> list[str]:
    return Store.mount(NorFlash.from_image(image.read_bytes()), read_only=True).names()


def test_a_sync_of_a_directory_saves_names_and_removals(mounted: MountedStore, tmp_path: Path) -> None:
    image = tmp_path / "flash.bin"
    calls = Operations(mounted, save=Saving(mounted, str(image)).save)
    open_one = calls.create("/gone", 0o644, NEW)
    calls.release(None, calls.create("/there", 0o644, NEW))
    calls.fsyncdir(None, 0, calls.opendir("/"))
    assert names_in(image) == ["/gone", "/there"]
    calls.rename("/gone", "/.fuse_hidden0000000700000001")
    calls.fsyncdir(None, 0, calls.opendir("/"))
    assert names_in(image) == ["/there"]
    calls.release(None, open_one)


def test_what_did_not_change_is_not_written_again(mounted: MountedStore, tmp_path: Path) -> None:
    image = tmp_path / "flash.bin"
    saving = Saving(mounted, str(image))
    saving.save()
    image.unlink()
    saving.save()
    assert not image.exists()
    mounted.store.open("/a", "w").close()
    saving.save()
    assert names_in(image) == ["/a"]


def test_a_save_that_fails_leaves_the_one_before(
    mounted: MountedStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    image = tmp_path / "flash.bin"
    saving = Saving(mounted, str(image))
    saving.save()
    before = image.read_bytes()
    mounted.store.open("/a", "w").close()
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", lambda _: _fail())
        with pytest.raises(OSError, match="no more"):
            saving.save()
    assert (image.read_bytes(), os.listdir(tmp_path)) == (before, ["flash.bin"])
    saving.save()
    assert names_in(image) == ["/a"]


def _fail() -> None:
    raise OSError(28, "no more")


def test_an_interval_tells_once_that_it_fails_and_goes_on(mounted: MountedStore, tmp_path: Path) -> None:
    told: list[OSError] = []
    came = Event()
    folder = tmp_path / "later"

    def failed(error: OSError) -> None:
        told.append(error)
        folder.mkdir()  # from now on it can be saved
        came.set()

    with Saving(mounted, str(folder / "flash.bin"), 1_000_000, failed).at_intervals():
        assert came.wait(60)
        while not (folder / "flash.bin").exists():
            came.wait(0.01)
    assert len(told) == 1
