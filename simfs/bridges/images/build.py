"""A store's image from a host directory: every fault is reported before anything is written, and the bytes are the same
every time.

A file's name is its path below the directory with the prefix before it. Files go in by the order of their names' bytes;
times, owners and permissions stay behind. So the image depends on names, bytes and settings alone.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from simfs.bridges.images.finder import SIZE_MAX
from simfs.files import Store
from simfs.files.contract import NameRules
from simfs.files.names import NameRule
from simfs.flash import Geometry, NorFlash
from simfs.flash.datasheet import Datasheet
from simfs.replay.device.name_check import FAULTS_MAX, name_faults
from simfs.show.units import counted
from simfs.store.format.config import StoreConfig
from simfs.store.format.layout import Layout
from simfs.store.format.settings import check_fit

Progress = Callable[[int, int], None]

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
    directory: str | os.PathLike[str],
    sheet: Datasheet,
    block_count: int,
    config: StoreConfig,
    prefix: str = "/",
    progress: Progress | None = None,
) -> tuple[Store, list[str]]:
    """A store of all files below `directory`, on a new flash of so many erase blocks; and the empty directories, which
    it can't have. Nothing on the host is written. `progress` is called with the files written, and all.

    BadDirectory lists links and other things that are no files, every wrong name, or how much room is missing. OSError
    when the directory can't be read.
    """
    where = os.fspath(directory)
    found = find_files(where, prefix)
    faults = found.faults + faults_of_names([file.name for file in found.files], config)
    if faults:
        raise BadDirectory(f"{where}: {fault}" for fault in faults)
    flash = NorFlash(block_count, datasheet=sheet)
    least = blocks_least(found.files, flash.geometry, config)
    if least > _blocks_most(flash.geometry):
        raise BadDirectory([_too_large(where, found.files, flash.geometry)])
    contents = [contents_of(file) for file in found.files]
    store = _filled(found.files, contents, flash, config, progress) if least <= block_count else None
    if store is not None:
        return store, found.empty_directories
    if progress:
        progress(0, 0)  # nobody knows how often it has to try
    raise BadDirectory([_does_not_fit(where, found.files, contents, flash, config)])


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
    return faults_in_words(names, NameRule(config.name_bytes, config.overlong, config.fold_case))


def faults_in_words(names: Iterable[str], rule: NameRules) -> list[str]:
    """The same by the rules of any store."""
    given = sorted(set(names))
    faults = [f'"{name}" holds a NUL, which no name can' for name in given if "\0" in name]
    faults += ["a name is empty" for name in given if not name]
    for fault in name_faults(given, rule):
        if fault.breaks:
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


def blocks_least(files: list[HostFile], geometry: Geometry, config: StoreConfig) -> int:
    """So many erase blocks these files take at the least, by sums alone: frames that are split where a block ends come
    on top."""
    layout = Layout(geometry, config)
    room = sum(layout.cost(file.size_bytes) + 2 * layout.frame_cost(len(os.fsencode(file.name))) for file in files)
    return -(-(room + layout.slack) // max(layout.block_room, 1)) + config.reserve + config.log_heads


def blocks_needed(files: list[HostFile], contents: list[bytes], flash: NorFlash, config: StoreConfig) -> int | None:
    """So many erase blocks of this flash are enough, and one less is not, found by trying. None when even the largest
    store is too small."""
    most = _blocks_most(flash.geometry)
    low = max(blocks_least(files, flash.geometry, config), flash.geometry.block_count + 1) - 1
    high = low + 1
    while not _fits(high, files, contents, flash, config):
        if high >= most:
            return None
        low, high = high, min(2 * high - low + 1, most)
    while high - low > 1:
        middle = (low + high) // 2
        if _fits(middle, files, contents, flash, config):
            high = middle
        else:
            low = middle
    return high


def _blocks_most(geometry: Geometry) -> int:
    return min(BLOCKS_MAX, SIZE_MAX // geometry.block_bytes)


def _fits(count: int, files: list[HostFile], contents: list[bytes], flash: NorFlash, config: StoreConfig) -> bool:
    sheet = replace(flash.datasheet, size_bytes=count * flash.geometry.block_bytes)
    try:
        check_fit(sheet.geometry(), config)
    except ValueError:  # too few for any store with these settings
        return False
    return _filled(files, contents, NorFlash(count, datasheet=sheet), config) is not None


def _filled(
    files: list[HostFile],
    contents: list[bytes],
    flash: NorFlash,
    config: StoreConfig,
    progress: Progress | None = None,
) -> Store | None:
    """A new store with the files; None when they do not fit."""
    store = Store.format(flash, config)
    try:
        for number, (file, data) in enumerate(zip(files, contents, strict=True)):
            if progress:
                progress(number, len(files))
            with store.open(file.name, "x") as target:
                target.write(data)
    except OSError as error:
        if error.errno == errno.ENOSPC:
            return None
        raise
    return store


def contents_of(file: HostFile) -> bytes:
    """All bytes of a file. BadDirectory where it is not as it was found."""
    data = file.path.read_bytes()
    if len(data) != file.size_bytes:
        raise BadDirectory([f"{file.path}: it changed while it was read; try again when nothing writes to it"])
    return data


def _does_not_fit(
    directory: str, files: list[HostFile], contents: list[bytes], flash: NorFlash, config: StoreConfig
) -> str:
    block_bytes, has = flash.geometry.block_bytes, flash.geometry.block_count
    needed = blocks_needed(files, contents, flash, config)
    if needed is None:
        return _too_large(directory, files, flash.geometry)
    return (
        f"{_all_of(directory, files)} a store of at least {needed:,} erase blocks ({needed * block_bytes:,} bytes) is "
        f"needed; this one has {has:,}: {(needed - has) * block_bytes:,} bytes are missing"
    )


def _too_large(directory: str, files: list[HostFile], geometry: Geometry) -> str:
    most = _blocks_most(geometry)
    return (
        f"{_all_of(directory, files)} even the largest store of such erase blocks is too small, {most:,} of them "
        f"({most * geometry.block_bytes:,} bytes); leave files out"
    )


def _all_of(directory: str, files: list[HostFile]) -> str:
    return f"{directory}: for its {counted(len(files), 'file')} of {sum(file.size_bytes for file in files):,} bytes"
