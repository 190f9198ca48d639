"""A store's image from a host directory: every fault is reported before anything is written, and the bytes are the same
every time.

A file's name is its path below the directory with the prefix before it. Files go in by the order of their names' bytes;
times, owners and permissions stay behind. So the image depends on names, bytes and settings alone.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from simfs.files import Store
from simfs.files.names import NameRule
from simfs.flash import NorFlash
from simfs.flash.datasheet import Datasheet
from simfs.replay.device.name_check import FAULTS_MAX, name_faults
from simfs.store.format.config import StoreConfig
from simfs.store.format.layout import Layout

BLOCKS_MAX = 65534  # of any store


class BadDirectory(Exception):
    """No image can be made of a directory; `faults` has a line for each reason."""

    def __init__(self, faults: Iterable[str]) -> None:
        self.faults = list(faults)
        super().__init__("\n".join(self.faults))


@dataclass(frozen=True, slots=True)
class HostFile:
    """A file of the directory, and its name in the store."""

    path: Path
    name: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Found:
    """The files of a directory by the order of their names, and what a store can't have of it."""

    files: list[HostFile]
    faults: list[str]
    empty_directories: list[str]


def build_image(
    directory: str | os.PathLike[str], sheet: Datasheet, block_count: int, config: StoreConfig, prefix: str = "/"
) -> tuple[Store, list[str]]:
    """A store of all files below `directory`, on a new flash of so many erase blocks; and the empty directories, which
    it can't have. Nothing on the host is written.

    BadDirectory lists links and other things that are no files, every wrong name, or how much room is missing. OSError
    when the directory can't be read.
    """
    where = os.fspath(directory)
    found = find_files(where, prefix)
    faults = found.faults + faults_of_names([file.name for file in found.files], config)
    if faults:
        raise BadDirectory(f"{where}: {fault}" for fault in faults)
    flash = NorFlash(block_count, datasheet=sheet)
    least = blocks_least(found.files, flash, config)
    if least <= block_count:
        contents = [_contents(file) for file in found.files]
        store = _filled(found.files, contents, flash, config)
        if store is not None:
            return store, found.empty_directories
        least = _blocks_needed(found.files, contents, flash, config)
    raise BadDirectory([_does_not_fit(where, found.files, flash, least)])


def find_files(directory: str | os.PathLike[str], prefix: str) -> Found:
    """The files below a directory. Links are not followed: they are faults, as is anything that is neither file nor
    directory."""
    root = os.fspath(directory)
    files: list[HostFile] = []
    faults: list[str] = []
    empty: list[str] = []
    waiting = [""]
    while waiting:
        below = waiting.pop()
        with os.scandir(os.path.join(root, below)) as scanned:
            entries = list(scanned)
        if not entries and below:
            empty.append(below)
        for entry in entries:
            path = f"{below}/{entry.name}" if below else entry.name
            kind = entry.stat(follow_symlinks=False)
            if stat.S_ISDIR(kind.st_mode):
                waiting.append(path)
            elif stat.S_ISREG(kind.st_mode):
                files.append(HostFile(Path(entry.path), prefix + path, kind.st_size))
            else:
                what = "a link" if entry.is_symlink() else "neither a file nor a directory"
                faults.append(f'"{path}" is {what}; put a file there or take it away')
    files.sort(key=lambda file: os.fsencode(file.name))
    return Found(files, sorted(faults), sorted(empty))


def faults_of_names(names: Iterable[str], config: StoreConfig) -> list[str]:
    """Why these names can't all be in one store: a line for each fault, at most about a thousand. A name that would be
    cut is a fault, whatever the store's settings."""
    given = sorted(set(names))
    faults = [f'"{name}" holds a NUL, which no name can' for name in given if "\0" in name]
    faults += ["a name is empty" for name in given if not name]
    rule = NameRule(config.name_bytes, config.overlong, config.fold_case)
    for fault in name_faults(given, rule):
        faults.append(f'"{fault.name}": {fault.why}; {fault.what_happens}')
    sound = [name for name in given if name and "\0" not in name]
    cutting = rule.cutting()
    keys = {rule.key(cutting.encode(name)): name for name in sound}
    for key, name in keys.items():
        parts = key.split(b"/")
        for count in range(1, len(parts)):
            above = keys.get(b"/".join(parts[:count]))
            if above is not None:
                faults.append(f'"{above}" would be a file and the directory of "{name}"; give one of them another name')
    return faults[:FAULTS_MAX]


def blocks_least(files: list[HostFile], flash: NorFlash, config: StoreConfig) -> int:
    """The least number of erase blocks that these files could take, by sums alone."""
    layout = Layout(flash.geometry, config)
    room = sum(layout.cost(file.size_bytes) + 2 * layout.frame_cost(len(os.fsencode(file.name))) for file in files)
    spare = config.reserve + config.log_heads - 1
    return max(-(-(room + layout.slack) // max(layout.block_room, 1)) + spare, 1)


def _blocks_needed(files: list[HostFile], contents: list[bytes], flash: NorFlash, config: StoreConfig) -> int:
    """The number of erase blocks that they do take, found by trying one more each time."""
    count = flash.geometry.block_count
    while True:
        count += 1
        sheet = replace(flash.datasheet, size_bytes=count * flash.geometry.block_bytes)
        if count > BLOCKS_MAX or _filled(files, contents, NorFlash(count, datasheet=sheet), config) is not None:
            return count


def _filled(files: list[HostFile], contents: list[bytes], flash: NorFlash, config: StoreConfig) -> Store | None:
    """A new store with the files; None when they do not fit."""
    store = Store.format(flash, config)
    try:
        for file, data in zip(files, contents, strict=True):
            with store.open(file.name, "x") as target:
                target.write(data)
    except OSError as error:
        if error.errno == errno.ENOSPC:
            return None
        raise
    return store


def _contents(file: HostFile) -> bytes:
    data = file.path.read_bytes()
    if len(data) != file.size_bytes:
        raise BadDirectory([f"{file.path}: it changed while it was read; try again when nothing writes to it"])
    return data


def _does_not_fit(directory: str, files: list[HostFile], flash: NorFlash, least: int) -> str:
    block_bytes, has = flash.geometry.block_bytes, flash.geometry.block_count
    bytes_all = sum(file.size_bytes for file in files)
    missing = least - has
    return (
        f"{directory}: its {len(files)} files of {bytes_all:,} bytes need a store of at least {least:,} erase blocks "
        f"({least * block_bytes:,} bytes); this one has {has:,}: {missing * block_bytes:,} bytes are missing"
    )
