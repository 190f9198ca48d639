"""A card's image from a host directory: every fault is reported before anything is written, and the bytes are the same
every time. Directories come too, empty ones as well; dates do not, since the driver has no clock."""

from __future__ import annotations

import errno
import os

from simfs.bridges.cards.source import Progress
from simfs.bridges.images.build import BadDirectory, Found, HostFile, contents_of, faults_in_words, find_files
from simfs.files.card_store import CardStore
from simfs.replay.device.name_check import FAULTS_MAX
from simfs.show.units import counted


def fill_card(
    store: CardStore, directory: str | os.PathLike[str], prefix: str = "/", progress: Progress | None = None
) -> None:
    """Put all files and directories below `directory` on a new card. Nothing on the host is written. `progress` is
    called with the files written, and all.

    BadDirectory lists links and other things that are no files, every wrong name, or how much room is missing. OSError
    when the directory can't be read.
    """
    where = os.fspath(directory)
    found = find_files(where, prefix)
    empty = [prefix + path for path in found.empty_directories]
    faults = found.faults + _faults_of_names([*(file.name for file in found.files), *empty], store)
    if faults:
        raise BadDirectory(f"{where}: {fault}" for fault in faults)
    missing_bytes = _least_bytes(found, store) - store.usage().blank_bytes
    if missing_bytes > 0:
        raise BadDirectory([f"{_all_of(where, found.files)} the card is too small by {missing_bytes:,} bytes"])
    try:
        for number, file in enumerate(found.files):
            if progress:
                progress(number, len(found.files))
            with store.open(file.name, "x") as target:
                target.write(contents_of(file))
        for name in empty:
            _make(store, name)
    except OSError as error:
        if error.errno != errno.ENOSPC:
            raise
        raise BadDirectory([f"{_all_of(where, found.files)} the card is too small: {_why(error)}"]) from None


def _make(store: CardStore, name: str) -> None:
    """A directory, with those above it."""
    parts = [part for part in name.split("/") if part]
    for count in range(1, len(parts) + 1):
        path = "/" + "/".join(parts[:count])
        if store.full_name(path) is None:
            store.make_directory(path)


def _faults_of_names(names: list[str], store: CardStore) -> list[str]:
    cutting, faults, possible = store.name_rules.cutting(), list[str](), list[str]()
    for name in sorted(names):
        try:
            cutting.encode(name)
        except (OSError, ValueError) as error:
            faults.append(f'"{name}": {getattr(error, "strerror", None) or error}')
        else:
            possible.append(name)
    return [*faults, *faults_in_words(possible, store.name_rules)][:FAULTS_MAX]


def _least_bytes(found: Found, store: CardStore) -> int:
    """What the files alone take, in whole clusters."""
    cluster_bytes = store.medium.block_bytes
    return sum(-(-file.size_bytes // cluster_bytes) for file in found.files) * cluster_bytes


def _why(error: OSError) -> str:
    full = {"the root directory is full", "the directory is full", "every short name is taken"}
    return str(error.strerror) if error.strerror in full else "its clusters are all taken"


def _all_of(directory: str, files: list[HostFile]) -> str:
    return f"{directory}: for its {counted(len(files), 'file')} of {sum(file.size_bytes for file in files):,} bytes"
