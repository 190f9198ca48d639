"""All bytes of the medium that a store is on, for whoever saves an image."""

from __future__ import annotations

from simfs.files.both.pair import both_of
from simfs.files.card_store import card_of
from simfs.files.contract import AnyStore
from simfs.files.store import the_log

IMAGE_BYTES_MAX = 2 << 30


class TooLarge(ValueError):
    """The medium has more bytes than are put into an image."""


def images_of(store: AnyStore) -> dict[str, bytes]:
    """The same of each medium, by what the name of its file ends with: of a store on flash and card there are two."""
    pair = both_of(store)
    return {"": image_of(store)} if pair is None else {"": image_of(pair.flash), ".card": image_of(pair.card)}


def image_of(store: AnyStore) -> bytes:
    """The flash or the card as it is. TooLarge, NoLog where the store is on neither."""
    on_card = card_of(store)
    medium = the_log(store).flash if on_card is None else on_card.card
    if store.medium.size_bytes > IMAGE_BYTES_MAX:
        raise TooLarge(f"the {store.medium.kind} is larger than {IMAGE_BYTES_MAX >> 30} GiB")
    return medium.image()
