"""The chip or the card of a test, and the store on it: what its marker says, or else the command line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest

from simfs.bridges.testing.options import PART, SEED, SIZE
from simfs.fat.card.card import Card
from simfs.fat.card.sheet import SECTOR_BYTES
from simfs.files import Store
from simfs.files.card_store import CardConfig, CardStore
from simfs.flash import NorFlash
from simfs.flash.parts import PARTS
from simfs.replay.scenario.quantities import parse_size
from simfs.store.format.config import StoreConfig

KINDS = ("flash", "card")


@dataclass(frozen=True, slots=True)
class Setup:
    """A chip, and the settings of the store on it."""

    part: str
    block_count: int
    seed: int
    config: StoreConfig

    def chip(self) -> NorFlash:
        return NorFlash.part(self.part, block_count=self.block_count, seed=self.seed)

    def store(self, chip: NorFlash) -> Store:
        """The chip, formatted."""
        try:
            return Store.format(chip, self.config)
        except ValueError as error:
            raise refusal(f"simfs: {error}") from None


@dataclass(frozen=True, slots=True)
class CardSetup:
    """A card, and the settings of the store on it. `cluster_bytes` None: what suits its size."""

    size_bytes: int
    cluster_bytes: int | None
    seed: int
    config: CardConfig

    def store(self) -> CardStore:
        """A new card with an empty volume."""
        try:
            return CardStore.format(Card(self.size_bytes // SECTOR_BYTES), self.config, self.cluster_bytes)
        except ValueError as error:
            raise refusal(f"simfs: {error}") from None


def refusal(what: str) -> BaseException:
    """An exception that fails a test with this line and no traceback."""
    return pytest.fail.Exception(what, pytrace=False)


def setup_of(node: pytest.Item) -> Setup | CardSetup:
    """What a test asks for. If that makes no sense, the test fails with one line."""
    settings: dict[str, Any] = {}
    for marker in reversed(list(node.iter_markers("simfs"))):  # the nearest has the last word
        settings |= marker.kwargs
    option = node.config.getoption
    seed = next((given for given in (settings.pop("seed", None), option("--simfs-seed")) if given is not None), SEED)
    size, kind = settings.pop("size", None) or option("--simfs-size") or SIZE, settings.pop("kind", KINDS[0])
    try:
        if kind not in KINDS:
            raise ValueError(f"there is no kind {kind!r}; known are {', '.join(KINDS)}")
        if kind == "card":
            return _card(size, seed, settings)
        return _chip(settings.pop("part", None) or option("--simfs-part") or PART, size, seed, settings)
    except (TypeError, ValueError) as error:
        raise refusal(f"simfs: {error}") from None


def flash_setup_of(node: pytest.Item) -> Setup:
    """The same for what only flash has."""
    setup = setup_of(node)
    if isinstance(setup, Setup):
        return setup
    raise refusal("simfs: the test is for a card, which has no chip; take simfs_store, whose `card` it is")


def _chip(part: str, size: str, seed: int, settings: dict[str, Any]) -> Setup:
    if part not in PARTS:
        raise ValueError(f"no part is named {part!r}; known are {', '.join(PARTS)}")
    sheet = PARTS[part]
    blocks, rest_bytes = divmod(parse_size(size), sheet.block_bytes)
    if rest_bytes:
        raise ValueError(f"size {size!r} is not a multiple of the erase block of {part}, {sheet.block_bytes} bytes")
    return Setup(part, blocks, seed, StoreConfig(**{"seed": seed, **settings}))


def _card(size: str, seed: int, settings: dict[str, Any]) -> CardSetup:
    cluster, size_bytes = settings.pop("cluster", None), parse_size(size)
    if size_bytes % SECTOR_BYTES:
        raise ValueError(f"size {size!r} is not whole sectors of {SECTOR_BYTES} bytes")
    return CardSetup(size_bytes, None if cluster is None else parse_size(cluster), seed, CardConfig(**settings))
