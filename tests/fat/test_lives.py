"""Cards that live through one power cut after the other: each is mended at a desk, and worked on."""

from __future__ import annotations

import random
from contextlib import suppress

import pytest

from simfs.fat.card.card import Card
from simfs.fat.checking.check import check
from simfs.fat.checking.mend import mend
from simfs.files.card_store import CardStore
from tests.fat.volumes import CONFIG, put

NAMES = ("/a/LOG.TXT", "/a/a long name.csv", "/b/7", "/b/LOG.TXT", "/c")
CUTS = 50


class PowerGone(Exception):
    """The supply went."""


class CutCard(Card):
    """A card whose supply goes after so many writes; within the next one if `tears`, so that its sector is torn."""

    writes_left = 1 << 60
    tears = False

    def write(self, sector: int, data: bytes) -> None:
        self.writes_left -= 1
        if self.writes_left < 0:
            if self.tears:
                self.unreadable.add(sector)
            raise PowerGone
        super().write(sector, data)


def work_on(store: CardStore, rng: random.Random) -> None:
    """Until the supply goes."""
    while True:
        work(store, rng)


def work(store: CardStore, rng: random.Random) -> None:
    """One step of a device."""
    name, do = rng.choice(NAMES), rng.choice("wwaaarmd")
    with suppress(OSError):
        if do in "wa":
            put(store, name, bytes(rng.randrange(3000)), do)
        elif do == "r":
            store.remove(name)
        elif do == "m":
            store.rename(name, name + "x")
        else:
            store.remove_directory(rng.choice(("/a", "/b")))


@pytest.mark.parametrize(("sectors", "cluster_bytes"), [(2048, None), (16_384, 1024)])
def test_a_card_is_sound_after_each_cut_once_it_is_mended(sectors: int, cluster_bytes: int | None) -> None:
    rng, card = random.Random(sectors), CutCard(sectors)
    store = CardStore.format(card, CONFIG, cluster_bytes)
    for _ in range(CUTS):
        card.writes_left, card.tears = rng.randrange(40), rng.random() < 0.5
        with pytest.raises(PowerGone):
            work_on(store, rng)
        card.writes_left = 1 << 60
        mend(card)
        assert {fault.kind for fault in check(card)} <= {"same name"}
        store = CardStore.mount(card, CONFIG)
