"""Cleaning policies by their definitions: which of these closed blocks each of them takes."""

from __future__ import annotations

from collections import Counter

import pytest

from simfs.flash import Rng
from simfs.store.cleaning.policies import Policy, policy
from simfs.store.format.config import CLEANERS, StoreConfig
from simfs.store.tables.blocks import BlockTable
from simfs.store.tables.wear_order import Ranking

ROOM = 1000  # bytes that a block can hold
LOGGED = 100_000  # bytes logged so far


def table(live: list[int], written_at: list[int] | None = None, base: list[int] | None = None) -> BlockTable:
    """Closed blocks with so many live bytes."""
    blocks = BlockTable(len(live), 1024, ROOM, ROOM * len(live))
    blocks.written_at = written_at or [0] * len(live)
    for block, cost in enumerate(live):
        blocks.name(block)
        blocks.open(block)
        blocks.hold(block, (base or range(len(live)))[block], 0)
        blocks.charge(1024 * block + 64, cost)
        blocks.close(block)
    return blocks


def chooser(blocks: BlockTable, cleaner: str, seed: int = 0, choices: int = 2) -> Policy:
    config = StoreConfig(cleaner=cleaner, choices=choices, seed=seed)
    return policy(config, blocks, ROOM, lambda: LOGGED, Rng(seed, "cleaner"))


def test_a_ranking_stays_in_order_and_misses_what_is_not_there() -> None:
    ranking = Ranking()
    ranking.update([(3, 1), (1, 7)])
    ranking.add((2, 9))
    ranking.discard((2, 8))
    assert ranking == [(1, 7), (2, 9), (3, 1)]
    for missing in ((0, 0), (2, 8), (4, 0)):
        with pytest.raises(ValueError, match="is not ranked"):
            ranking.remove(missing)
    ranking.remove((3, 1))
    ranking.discard((1, 7))
    assert ranking == [(2, 9)]


def test_greedy_takes_the_block_with_the_least_live() -> None:
    blocks = table([500, 300, 900, 301])
    assert chooser(blocks, "greedy")(blocks.closed) == 1


@pytest.mark.parametrize(("wear", "taken"), [((5, 5, 5, 5), 1), ((0, 6, 5, 0), 2), ((0, 5, 6, 0), 1)])
def test_greedy_takes_the_least_worn_dead_block(wear: tuple[int, ...], taken: int) -> None:
    blocks = table([500, 300, 900, 301])
    blocks.erase_count[:] = wear
    for block, cost in ((2, 900), (1, 300)):
        blocks.charge(1024 * block + 64, -cost)
    assert chooser(blocks, "greedy")(blocks.closed) == taken


def test_greedy_takes_no_dead_block_that_is_alive_again() -> None:
    blocks = table([500, 300])
    blocks.charge(64, -500)
    blocks.charge(64, 400)
    assert chooser(blocks, "greedy")(blocks.closed) == 1


def test_oldest_first_goes_by_sequence_number() -> None:
    blocks = table([10, 900, 20], base=[70, 30, 50])
    assert chooser(blocks, "oldest-first")(blocks.closed) == 1


@pytest.mark.parametrize(
    ("live", "age", "taken"),
    [
        ([500, 500], [100, 200], 1),  # of the same use, the older
        ([500, 100], [100, 100], 1),  # of the same age, the emptier
        ([800, 200], [1000, 100], 0),  # (1 - u) age / (1 + u): 111.1 against 66.7
        ([800, 200], [500, 100], 1),  # 55.6 against 66.7
        ([1000, 990], [10**6, 1], 1),  # nothing is gained from a full block, however old
        ([1020, 990], [10**6, 1], 1),  # u is never above 1
    ],
)
def test_cost_benefit_by_the_published_formula(live: list[int], age: list[int], taken: int) -> None:
    """Rosenblum & Ousterhout, ACM TOCS 10(1), 1992: benefit / cost = (1 - u) age / (1 + u)."""
    blocks = table(live, [LOGGED - each for each in age])
    assert chooser(blocks, "cost-benefit")(blocks.closed) == taken


def test_random_takes_each_block_equally_often() -> None:
    blocks = table([0, 500, 900, 1000])
    choose = chooser(blocks, "random", seed=3)
    taken = Counter(choose(blocks.closed) for _ in range(4000))
    assert all(abs(taken[block] - 1000) < 4 * (4000 * 0.25 * 0.75) ** 0.5 for block in range(4))


@pytest.mark.parametrize("choices", [1, 2, 5])
def test_best_of_d_takes_the_emptiest_of_d_drawn(choices: int) -> None:
    """Drawn with replacement: the emptiest of 4 is missed with the chance (3/4)^d, the fullest taken with (1/4)^d."""
    blocks = table([400, 100, 300, 200])
    choose = chooser(blocks, "best-of-d", seed=4, choices=choices)
    taken = Counter(choose(blocks.closed) for _ in range(4000))
    for block, share in ((1, 1 - 0.75**choices), (0, 0.25**choices)):
        assert abs(taken[block] / 4000 - share) < 4 * (share * (1 - share) / 4000) ** 0.5 + 1e-9


@pytest.mark.parametrize("cleaner", CLEANERS)
def test_only_closed_blocks_are_taken(cleaner: str) -> None:
    blocks = table([0, 500, 900, 0, 100])
    blocks.free(0, 7)
    blocks.free(3, 7)
    choose = chooser(blocks, cleaner)
    assert {choose(blocks.closed) for _ in range(50)} <= {1, 2, 4}
