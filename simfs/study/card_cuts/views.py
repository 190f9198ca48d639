"""What somebody finds on a card: its files with their contents, by the driver that the firmware has."""

from __future__ import annotations

import io
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

from simfs.fat.card.card import Card, Unreadable
from simfs.fat.card.sheet import SECTOR_BYTES
from simfs.fat.checking.check import Fault, Survey, survey
from simfs.files.card_store import CardConfig, CardStore

UNREADABLE = b"\xa5\x5a" * (SECTOR_BYTES // 2)

Signature = tuple[int, int, tuple[int, ...]]
"""Where a file begins, its size, its chain: with the same sectors behind it, a file is the same."""


@dataclass(slots=True)
class View:
    """The files of a card by path; None for one that can't be read. `signatures` leaves out those that a check can't
    see. `faults` is what a check finds, `directories` the sectors of directories, `torn` those of them that can't be
    read."""

    files: dict[str, bytes | None] = field(default_factory=dict)
    signatures: dict[str, Signature] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    directories: set[int] = field(default_factory=set)
    torn: tuple[int, ...] = ()


def view_of(card: Card, config: CardConfig, like: View, touched: Collection[int], also: Iterable[str] = ()) -> View:
    """Look at a card that was `like` this before the sectors `touched` were written. Only files that may have changed
    are read: those with a touched sector or another signature, `also` those of these names; and all, where a directory
    can't be read."""
    seen = survey(card)
    view = View(faults=seen.faults, directories=_directories(seen), torn=tuple(seen.torn))
    store = CardStore.mount(card, config, read_only=True)
    for found in seen.found:
        short = found.entry.short
        if not short.is_directory:
            signature = (short.first, short.size, tuple(found.chain))
            view.signatures[found.path] = signature
            same = signature == like.signatures.get(found.path) and not found.broken and not view.torn
            if same and not _touches(seen, found.chain, touched):
                view.files[found.path] = like.files[found.path]
    for path in {*view.signatures, *like.files, *also} - view.files.keys():
        if view.torn or path in view.signatures:
            view.files[path] = _read(store, path)
    return view


def _read(store: CardStore, path: str) -> bytes | None:
    """The file's bytes, with others in place of sectors that can't be read; up to where its chain breaks."""
    parts: list[bytes] = []
    try:
        with store.open(path) as file:
            while True:
                try:
                    part = file.read(SECTOR_BYTES)
                except Unreadable:
                    part = UNREADABLE
                    file.seek(SECTOR_BYTES, io.SEEK_CUR)
                if not part:
                    return b"".join(parts)
                parts.append(part)
    except (OSError, ValueError):
        return b"".join(parts) if parts else None


def _touches(seen: Survey, chain: list[int], touched: Collection[int]) -> bool:
    start, each = seen.layout.data_start, seen.layout.sectors_per_cluster
    clusters = {(sector - start) // each + 2 for sector in touched if sector >= start}
    return not clusters.isdisjoint(chain)


def _directories(seen: Survey) -> set[int]:
    layout = seen.layout
    sectors = set(range(layout.root_start, layout.root_start + layout.root_sectors))
    own = [cluster for cluster, path in seen.owner.items() if path == "/"]
    for found in seen.found:
        if found.entry.short.is_directory:
            own += found.chain
    for cluster in own:
        first = layout.first_sector(cluster)
        sectors.update(range(first, first + layout.sectors_per_cluster))
    return sectors


def lost_bytes(before: Mapping[str, bytes | None], after: Mapping[str, bytes | None], found: View) -> dict[str, int]:
    """Of what was acknowledged `before` an operation: how much of each file is not `found`. What the operation itself
    takes away, as `after` it, is not lost; a file that it renames may go by either name."""
    lost = {}
    for path, old in before.items():
        new, now = after.get(path), found.files.get(path)
        if old is None or now == old or (now is not None and now == new):
            continue
        if new is None:
            moved = [name for name, data in after.items() if data == old and before.get(name) != old]
            if not moved or any(found.files.get(name) == old for name in moved):
                continue
        elif not new.startswith(old) and now is not None and new.startswith(now):
            continue  # written anew, and not whole yet
        count = _differing(old, now or b"")
        if count:
            lost[path] = count
    return lost


def _differing(old: bytes, now: bytes) -> int:
    """How many bytes of a file are in sectors that are not as they were."""
    if now.startswith(old):
        return 0
    places = range(0, len(old), SECTOR_BYTES)
    pieces = ((old[at : at + SECTOR_BYTES], now[at : at + SECTOR_BYTES]) for at in places)
    return sum(len(one) for one, other in pieces if not other.startswith(one))
