"""Observes a run on a card: notes each sector write, and which operation of the device it belongs to."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.fat.card.card import Card
from simfs.files.card_store import CardConfig, card_of
from simfs.files.contract import AnyStore
from simfs.replay.device.observer import Observer


@dataclass(frozen=True, slots=True)
class Done:
    """One operation of the device, and where its sector writes begin and end."""

    task: str
    operation: str
    name: str
    begin: int
    end: int


@dataclass(frozen=True, slots=True)
class CardHistory:
    """A run: the card before it, every sector write, and the operations that wrote. Nothing may wait in a file when an
    operation ends, or what is flushed later counts for the operation that flushes it."""

    title: str
    start: Card
    config: CardConfig
    writes: tuple[tuple[int, bytes], ...]
    operations: tuple[Done, ...]


class CardRecorder(Observer):
    """Notes one run on a card, and gives it as a `CardHistory`."""

    def __init__(self) -> None:
        self._writes: list[tuple[int, bytes]] = []
        self._operations: list[Done] = []
        self._begun: list[int] = []

    def run_begins(self, store: AnyStore) -> AnyStore:
        """The store must be on a card."""
        on_card = card_of(store)
        if on_card is None:
            raise ValueError("there is no card")
        self._start, self._config = on_card.card.copy(), on_card.config
        on_card.card.heard = lambda sector, data: self._writes.append((sector, data))
        return store

    def begins(self, task: str, operation: str, name: str, at_ns: int) -> None:
        self._begun.append(len(self._writes))

    def ends(self, task: str, operation: str, name: str, at_ns: int, refused: int) -> None:
        begin = self._begun.pop()
        if len(self._writes) > begin and not self._begun:
            self._operations.append(Done(task, operation, name, begin, len(self._writes)))

    def history(self, title: str) -> CardHistory:
        """Everything noted so far."""
        return CardHistory(title, self._start, self._config, tuple(self._writes), tuple(self._operations))
