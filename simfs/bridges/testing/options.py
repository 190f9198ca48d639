"""The markers with which a test asks for a chip and a store, and the options for tests that ask for nothing."""

from __future__ import annotations

import pytest

PART, SIZE, SEED = "generic", "256 KiB", 0
MARKERS = (
    "simfs(part, size, seed, **settings): the chip and the store of a test; settings are those of StoreConfig. With "
    "kind='card' its card: simfs(kind, size, cluster, seed, **settings); settings are those of CardConfig",
    "simfs_cuts(work, before, every, sample, seed, profile): run the test once for each power cut in work(store)",
)


def add_options(parser: pytest.Parser) -> None:
    group = parser.getgroup("simfs", "simulated flash (simfs)")
    group.addoption("--simfs-part", metavar="NAME", help=f"the chip of tests that name none (default: {PART})")
    group.addoption(
        "--simfs-size", metavar="SIZE", help=f"the store's room on it, or the size of the card (default: {SIZE})"
    )
    group.addoption("--simfs-seed", metavar="N", type=int, help=f"the seed of tests that name none (default: {SEED})")
