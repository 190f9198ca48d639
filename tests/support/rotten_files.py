"""What a store gives of files some of which are damaged."""

from __future__ import annotations

from collections.abc import Mapping

from simfs import CorruptStore, Store

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
