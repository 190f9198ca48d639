"""Files written whole or not at all."""

import os
from pathlib import Path

import pytest

from simfs.show.save import write_whole


def test_replaces_in_one_step_and_leaves_nothing_beside(tmp_path: Path) -> None:
    target = tmp_path / "flash.bin"
    target.write_bytes(b"old")
    write_whole(str(target), b"new")
    assert target.read_bytes() == b"new"
    assert os.listdir(tmp_path) == ["flash.bin"]


def test_a_failure_keeps_what_was_there(tmp_path: Path) -> None:
    target = tmp_path / "taken"
    target.mkdir()  # a file can't replace a directory
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for there in (target, pipe):
        with pytest.raises(OSError, match="it is not a regular file"):
            write_whole(str(there), b"new")
    assert (sorted(os.listdir(tmp_path)), pipe.is_fifo()) == (["pipe", "taken"], True)


def test_stopped_half_way_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", stop)
    with pytest.raises(KeyboardInterrupt):
        write_whole(str(tmp_path / "flash.bin"), b"new")
    assert os.listdir(tmp_path) == []


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").write_bytes(b"old")
    (tmp_path / "link").symlink_to("real")
    write_whole(str(tmp_path / "link"), b"new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_bytes() == b"new"
