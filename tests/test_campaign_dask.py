"""A campaign on a cluster: the README's lines, on a local one."""

import warnings
from collections.abc import Iterator
from concurrent.futures import Executor
from pathlib import Path

import pytest

from simfs.replay.play import replay
from simfs.study.campaign import campaign
from simfs.study.cut_states import sampled
from simfs.study.recorder import Recorder

distributed = pytest.importorskip(
    "distributed", reason="dask.distributed is not installed; pip install 'simfs[cluster]' brings it"
)

ROOT = Path(__file__).parent.parent


@pytest.fixture
def cluster() -> Iterator[Executor]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the library's own making
        with (
            distributed.LocalCluster(
                n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None
            ) as local,
            distributed.Client(local) as client,
        ):
            yield client.get_executor()


def test_a_cluster_finds_the_same(cluster: Executor) -> None:
    recorder = Recorder()
    replay(ROOT / "scenarios" / "doorbell.toml", watch=recorder.watch)
    history = recorder.history("doorbell")
    cuts = list(sampled(history, 300, seed=1))  # two chunks
    here, there = campaign(history, cuts), campaign(history, cuts, executor=cluster)
    assert there == here
    assert there.states == 300
    assert there.violations == ()
