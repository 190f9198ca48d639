"""A sample of row 16: what is taken out of hostile images lands where it belongs; `python -m tests.goals` tries all."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfs.bridges.images import extract as images_extract
from simfs.bridges.images.destination import Destination
from simfs.bridges.images.host_names import host_name
from tests.hostile.inputs.extraction import run_extraction

pytest.importorskip("bincopy", reason="bincopy is not installed: pip install 'simfs[images]'")


def test_hostile_images_put_nothing_anywhere_else() -> None:
    tally = run_extraction(1000, seed=1)
    assert tally.violations == []
    assert tally.cases == 1000
    assert tally.outcomes["taken out"] > 20
    assert tally.outcomes["refused"] + tally.outcomes["explained"] > 2


def one_up(name: str, **options: bool) -> str:
    """What a trusting extraction would do, but no further up than the directory of the case."""
    return "../up" if ".." in name.split("/") else host_name(name, **options)


def one_name(name: str, **_: bool) -> str:
    return "one"


def no_plus(name: str, **options: bool) -> str:
    """Not reversible."""
    return host_name(name, **options).replace("%2B", "_")


def write_over(target: Destination, name: str, data: bytes) -> None:
    Path(target._path, name).write_bytes(data)


@pytest.mark.parametrize(
    ("where", "what", "careless"),
    [
        (images_extract, "host_name", one_up),
        (images_extract, "host_name", no_plus),
        (Destination, "create", write_over),
    ],
)
def test_careless_extraction_is_noticed(
    monkeypatch: pytest.MonkeyPatch, where: object, what: str, careless: object
) -> None:
    monkeypatch.setattr(where, what, careless)
    if careless is write_over:
        monkeypatch.setattr(images_extract, "host_name", one_name)
    assert run_extraction(300, seed=2).violations
