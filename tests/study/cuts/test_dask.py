"""A campaign on a cluster: the lines of the guide as they stand there, on a local one, with fewer cuts."""

import re
from collections.abc import Iterator
from typing import Any

import pytest

from simfs.study.cuts.campaign import campaign
from simfs.study.cuts.judging.states import sampled
from simfs.study.cuts.notes.cut_point import CutPoint
from simfs.study.cuts.notes.history import History
from tests.support.places import ROOT

distributed = pytest.importorskip(
    "distributed", reason="dask.distributed is not installed; pip install 'simfs[cluster]' brings it"
)

CUTS = 300  # more than one chunk


def some(history: History) -> Iterator[CutPoint]:
    return sampled(history, CUTS, seed=1)


def the_lines_of_the_guide() -> str:
    blocks = re.findall(r"```python\n(.*?)```", (ROOT / "simfs" / "guides" / "power-cuts.md").read_text(), re.DOTALL)
    return next(block for block in blocks if "dask.distributed" in block)


@pytest.mark.filterwarnings("ignore")  # of the library's own making
def test_a_cluster_finds_the_same(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def small(**settings: Any) -> Any:
        return as_it_is(n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None, **settings)

    as_it_is = distributed.Client
    monkeypatch.setattr("dask.distributed.Client", small)
    monkeypatch.setattr("simfs.study.cuts.judging.states.every_byte", some)
    monkeypatch.chdir(ROOT)
    names: dict[str, Any] = {"__name__": "__main__"}
    exec(the_lines_of_the_guide(), names)
    assert capsys.readouterr().out == f"{CUTS} ()\n"
    history, there = names["history"], names["result"]
    assert campaign(history, some(history)) == there
