"""A sample of row 16: what is taken out of hostile images lands where it belongs; `python -m tests.goals` tries all."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfs.bridges.images import extract as images_extract
from tests.hostile.inputs.extraction import run_extraction

pytest.importorskip("bincopy", reason="bincopy is not installed: pip install 'simfs[images]'")


def test_hostile_images_put_nothing_anywhere_else() -> None:
    tally = run_extraction(1000, seed=1)
    assert tally.violations == []
    assert tally.cases == 1000
    assert tally.outcomes["taken out"] > 20
    assert tally.outcomes["refused"] + tally.outcomes["explained"] > 2


def one_up(name: str) -> str:
    """What a trusting extraction would do, but no further up than the directory of the case."""
    return "../up" if ".." in name.split("/") else images_extract_host_name(name)


def one_name(name: str) -> str:
    return "one"


def write_over(path: str, data: bytes) -> None:
    Path(path).write_bytes(data)


images_extract_host_name = images_extract.host_name


@pytest.mark.parametrize(
    ("what", "careless"), [("host_name", one_up), ("_create", write_over), ("host_name", one_name)]
)
def test_careless_extraction_is_noticed(monkeypatch: pytest.MonkeyPatch, what: str, careless: object) -> None:
    monkeypatch.setattr(images_extract, what, careless)
    if careless is write_over:
        monkeypatch.setattr(images_extract, "host_name", one_name)
    violated = run_extraction(300, seed=2).violations
    assert bool(violated) == (careless is not one_name)
