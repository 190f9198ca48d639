"""Whole files of a store, whatever its format is."""

from __future__ import annotations

from simfs import Store


def contents(store: Store) -> dict[str, bytes]:
    found = {}
    for name in store.names():
        with store.open(name) as file:
            found[name] = file.readall()
    return found


def put(store: Store, name: str, data: bytes, mode: str = "w") -> None:
    with store.open(name, mode) as file:
        file.write(data)
