"""Replays the kept corpus of the fuzzer, without the fuzzer."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from tests.hostile.corpus import KEPT, TARGETS, base_of, kept, unit_of

CORPUS_BYTES_MAX = 300 << 10


@pytest.mark.parametrize("target", TARGETS)
def test_the_kept_corpus_keeps_the_promise(target: str) -> None:
    outcomes: Counter[str] = Counter()
    for path in kept(target):
        outcome, fault = TARGETS[target](path.read_bytes())
        assert fault is None, f"{target}/{path.name}: {fault}"
        outcomes[outcome] += 1
    assert len(outcomes) > 1
    assert outcomes.total() > 15


def test_the_corpus_is_small() -> None:
    files = [path for path in KEPT.rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in files) < CORPUS_BYTES_MAX
    assert {path.parent.name for path in files} == set(TARGETS)


def test_an_image_and_its_unit_are_the_same() -> None:
    for path in kept("mount"):
        base = base_of(path.read_bytes())
        assert base_of(unit_of(base)) == base


def test_the_corpus_is_nothing_but_data() -> None:
    assert [path for path in Path(KEPT).rglob("*") if path.suffix in (".py", ".pyc", ".sh")] == []
