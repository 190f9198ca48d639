"""Stores on flash and card for tests."""

from __future__ import annotations

from simfs import NorFlash, Store, StoreConfig
from simfs.fat.card.card import Card
from simfs.files.both.absences import Absence, Absences
from simfs.files.both.buffer import Buffer
from simfs.files.both.mirror import Mirror
from simfs.files.both.pair import Pair
from simfs.files.both.slot import Slot
from simfs.files.card_store import CardConfig, CardStore
from simfs.files.contract import AnyStore

S, MS = 10**9, 10**6
ROLES = ("mirror", "buffer")


def new_pair(role: str, *absences: Absence, blocks: int = 32, card_kib: int = 512) -> Pair:
    flash = Store.format(NorFlash(block_count=blocks), StoreConfig(fold_case=True))
    card = CardStore.format(Card(2 * card_kib), CardConfig())
    sheet = card.card.sheet
    slot = Slot(card.card, Absences(absences), sheet.write_typ_ns + sheet.wire_ns)
    return Mirror(flash, card, slot) if role == "mirror" else Buffer(flash, card, slot, ["/log/"])


def put(store: AnyStore, name: str, data: bytes, mode: str = "a") -> None:
    with store.open(name, mode) as file:
        file.write(data)


def contents(store: AnyStore) -> dict[str, bytes]:
    found = {}
    for name in store.names():
        with store.open(name) as file:
            found[name] = file.readall() or b""
    return found


def bring_all(pair: Pair) -> None:
    for name in pair.waiting():
        pair.bring(name)
