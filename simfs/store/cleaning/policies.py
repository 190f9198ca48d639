"""Cleaning policies: which closed block is cleaned next. A policy gets the closed blocks (never none), in the order
in which they were closed, and costs RAM only. To add one, write it here and append its name to `config.CLEANERS`."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from simfs.flash import Rng
from simfs.store.format.config import StoreConfig
from simfs.store.tables.blocks import BlockTable

Policy = Callable[[Sequence[int]], int]


def policy(config: StoreConfig, blocks: BlockTable, room: int, logged: Callable[[], int], rng: Rng) -> Policy:
    """The configured policy. `room` is what a block can hold and `logged` tells how much was logged so far, both in
    bytes."""

    def oldest_first(closed: Sequence[int]) -> int:
        return min(closed, key=blocks.base.__getitem__)

    def greedy(closed: Sequence[int]) -> int:
        dead = blocks.dead()  # spares the search where blocks die whole
        return min(closed, key=blocks.live.__getitem__) if dead is None else dead

    def cost_benefit(closed: Sequence[int]) -> int:
        """Rosenblum & Ousterhout, ACM TOCS 10(1), 1992: benefit / cost = (1 - u) age / (1 + u)."""
        now = logged()

        def score(block: int) -> float:
            used = min(blocks.live[block] / room, 1.0)
            return (1 - used) * (now - blocks.written_at[block]) / (1 + used)

        return max(closed, key=score)

    def random(closed: Sequence[int]) -> int:
        return closed[rng.below(len(closed))]

    def best_of_d(closed: Sequence[int]) -> int:
        drawn = [closed[rng.below(len(closed))] for _ in range(config.choices)]
        return min(drawn, key=blocks.live.__getitem__)

    return {
        "oldest-first": oldest_first,
        "greedy": greedy,
        "cost-benefit": cost_benefit,
        "random": random,
        "best-of-d": best_of_d,
    }[config.cleaner]
