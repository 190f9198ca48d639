"""`--cluster`: a real scheduler with two workers gives what this process gives, also when a worker dies."""

import os
import signal
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from simfs.cli import commands
from simfs.study.cuts.campaign import Chunk, ChunkResult, judge_chunk
from tests.cli.test_progress import SCENARIO

distributed = pytest.importorskip(
    "distributed", reason="dask.distributed is not installed; pip install 'simfs[cluster]' brings it"
)
pytestmark = pytest.mark.filterwarnings("ignore")  # of the library's own making

LAW = ("--scale-cycles", "60", "--shape", "3")
COMMANDS = {
    "cuts": ("cuts", "gauge.toml", "--sample", "30"),
    "lives": ("cuts", "gauge.toml", "--lives", "1"),
    "sweep": ("sweep", "gauge.toml", "--vary", "store.size=32 KiB,64 KiB"),
    "life": ("life", "gauge.toml"),
    "fleet": ("fleet", "gauge.toml", *LAW, "--devices", "20", "--stores", "2", "--hurried-cycles", "10"),
    "exact": ("fleet", "gauge.toml", *LAW, "--devices", "20", "--exact"),
}


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        yield cluster.scheduler_address


@pytest.fixture(autouse=True)
def at_the_scenario(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "gauge.toml").write_text(SCENARIO)
    monkeypatch.chdir(tmp_path)


def invoke(*words: str) -> Result:
    return CliRunner().invoke(commands, list(words))


def dies_once(flag: str, chunk: Chunk) -> ChunkResult:
    """Work that ends the first process that takes it."""
    try:
        os.close(os.open(flag, os.O_CREAT | os.O_EXCL))
    except FileExistsError:
        return judge_chunk(chunk)
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError


@pytest.mark.parametrize("name", COMMANDS)
def test_the_result_is_the_same(name: str, address: str) -> None:
    here, there = invoke(*COMMANDS[name], "--json"), invoke(*COMMANDS[name], "--json", "--cluster", address)
    assert (here.exit_code, here.stderr) == (there.exit_code, there.stderr)
    assert here.stdout == there.stdout
    assert here.stdout.startswith("{")


def test_a_worker_that_dies_costs_its_chunk_only(address: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    here = invoke(*COMMANDS["cuts"])
    flag = tmp_path / "died"
    monkeypatch.setattr("simfs.study.cuts.campaign.CUTS_PER_CHUNK", 10)
    monkeypatch.setattr("simfs.study.cuts.campaign.judge_chunk", partial(dies_once, str(flag)))
    there = invoke(*COMMANDS["cuts"], "--cluster", address)
    assert flag.exists()
    assert (there.exit_code, there.stdout) == (here.exit_code, here.stdout)


def refusal(address: str) -> str:
    done = invoke(*COMMANDS["cuts"], "--cluster", address)
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    return done.stderr


def test_what_is_missing_is_said_in_a_line(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patch:
        patch.setitem(sys.modules, "distributed", None)
        needs = "working on a cluster needs a library: pip install 'simfs[cluster]'"
        assert refusal("here:8786") == f"--cluster here:8786: {needs}\n"
    monkeypatch.setattr("simfs.bridges.cluster.PATIENCE_S", 0.2)
    assert refusal("tcp://127.0.0.1:1").startswith("--cluster tcp://127.0.0.1:1: Timed out trying to connect")
    assert refusal("nonsense").startswith("--cluster nonsense: missing port number")


def test_a_cluster_without_workers_or_with_another_simfs_is_refused(
    address: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("simfs.bridges.cluster.PATIENCE_S", 0.2)
    with distributed.LocalCluster(n_workers=0, dashboard_address=None) as empty:
        assert "it has no worker; start one, with simfs installed" in refusal(empty.scheduler_address)
    monkeypatch.setattr("simfs.bridges.cluster.PATIENCE_S", 10)
    monkeypatch.setattr("simfs.__file__", str(tmp_path / "__init__.py"))
    assert "has another simfs, or none; install there what runs here" in refusal(address)


def test_workers_of_both_kinds_at_once_are_refused() -> None:
    for words in (COMMANDS["cuts"], COMMANDS["sweep"], COMMANDS["fleet"]):
        done = invoke(*words, "--cluster", "here:8786", "--workers", "2")
        assert (done.exit_code, done.stderr) == (
            2,
            "--workers: --cluster has workers of its own; leave out one of them\n",
        )
