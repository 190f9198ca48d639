"""What a store gives of files some of which are damaged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from simfs import CorruptStore, Store
from simfs.store.log.state import Damage

Files = dict[str, bytes | None]  # None: reading it says that it is damaged


def files_of(store: Store) -> Files:
    found: Files = {}
    for name in store.names():
        try:
            with store.open(name) as file:
                found[name] = file.readall()
        except CorruptStore:
            found[name] = None
    return found


def is_told(found: Files, right: Mapping[str, bytes | None]) -> bool:
    """Whether all that is not exact says so."""
    return found.keys() == right.keys() and all(data in (None, right[name]) for name, data in found.items())


def is_excused(found: Files, right: Mapping[str, bytes | None], damages: Sequence[Damage]) -> bool:
    """Whether damage is named, and each file is exact that it may not have touched. A name may be gone with it."""
    touched = {name for damage in damages for name in (*damage.names, *damage.maybe)}
    return bool(damages) and all(found[name] == right.get(name) for name in found.keys() - touched)
