"""Volumes for tests, and what others' programs say about them."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from pathlib import Path

from simfs.fat.card.card import Card
from simfs.files.card_store import CardConfig, CardStore
from tests.support.tools import needs

CONFIG = CardConfig(name_bytes=256)
needs_fsck = needs("fsck.fat", package="dosfstools")
needs_mtools = needs("mcopy", package="mtools")
SIZES = {"FAT12": (1024, None), "FAT16": (8192, 1024), "FAT32": (40 * 1024, 512)}
"""A volume of each type: KiB, and the size of its clusters."""


def new_store(kind: str = "FAT16") -> CardStore:
    kib, cluster_bytes = SIZES[kind]
    store = CardStore.format(Card(2 * kib), CONFIG, cluster_bytes)
    assert store.settings["volume"] == kind
    return store


def put(store: CardStore, name: str, data: bytes, mode: str = "w") -> None:
    with store.open(name, mode) as file:
        file.write(data)


def contents(store: CardStore) -> dict[str, bytes]:
    found = {}
    for name in store.names():
        with store.open(name) as file:
            found[name] = file.readall()
    return found


def written_by(store: CardStore, action: Callable[[], object]) -> list[int]:
    """The sectors that an action writes, in order."""
    sectors: list[int] = []
    store.card.heard = lambda sector, _: sectors.append(sector)
    action()
    store.card.heard = None
    return sectors


def fsck(image: bytes, path: Path) -> list[str]:
    """What fsck.fat would mend, and that alone; nothing where all is well."""
    path.write_bytes(image)
    done = subprocess.run(["fsck.fat", "-n", path], capture_output=True, text=True, check=False)
    if done.returncode == 0:
        return []
    return [line for line in done.stdout.splitlines()[1:] if line.strip()] or [done.stderr or "it failed"]


def run(*words: str | Path) -> str:
    """What a program prints; it must succeed."""
    done = subprocess.run(words, capture_output=True, check=False, env=os.environ | {"LC_ALL": "C.UTF-8"})
    assert done.returncode == 0, (words, done.stderr)
    return done.stdout.decode()


def listed_by_mtools(image: Path) -> list[str]:
    """Every file in an image, sorted."""
    lines = run("mdir", "-i", image, "-/", "-b", "::/").split("\n")
    return sorted(line.removeprefix("::") for line in lines if line and not line.endswith("/"))


def read_by_mtools(image: Path, name: str, folder: Path) -> bytes:
    """A file's bytes; `folder` is for what lies about meanwhile."""
    run("mcopy", "-n", "-i", image, f"::{name}", folder / "taken out")
    data = (folder / "taken out").read_bytes()
    (folder / "taken out").unlink()
    return data
