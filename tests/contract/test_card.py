"""A card keeps the contract: it does what the model does, and what a store on flash does with the same scenario."""

from __future__ import annotations

import errno
import random
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from simfs.cli import commands
from simfs.fat.card.card import Card
from simfs.files.card_store import CardConfig, CardStore
from simfs.files.contract import AnyStore
from simfs.files.model import Model
from simfs.replay.device.device import Run
from simfs.replay.play import play
from simfs.replay.scenario.load import load_table, scenario_of
from simfs.replay.scenario.tables import Scenario
from simfs.store.format.config import StoreConfig
from tests.contract.test_scenarios import ON_FLASH, contents, shape
from tests.fat.volumes import fsck, listed_by_mtools, needs_fsck, needs_mtools
from tests.support.places import SCENARIOS

NAMES = ["/a.txt", "/LOG.TXT", "/log/2031-04-05.csv", "/log/2031-04-06.csv", "/deep/er/a long name.bin", "/A.TXT", "/B"]
DEEDS = ("open", "open", "write", "write", "write", "read", "flush", "close", "cut", "remove", "rename")
CARDS = [(64, None), (1024, None), (8192, 1024), (300, 512), (40 * 1024, 512)]


class Pair:
    """A card and the model, to which the same is done."""

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)
        kib, cluster_bytes = self.rng.choice(CARDS)
        self.card = Card(2 * kib)
        self.config = CardConfig(name_bytes=200, open_files_max=5)
        self.on_card = CardStore.format(self.card, self.config, cluster_bytes)
        self.model = Model(StoreConfig(name_bytes=200, open_files_max=5, fold_case=True))
        self.files: list[tuple[Any, Any]] = []

    def both(self, action: Callable[[Any], object], first: object = None, second: object = None) -> None:
        """Both give the same, or the same error."""
        results = []
        for to in (first or self.on_card, second or self.model):
            try:
                results.append(action(to))
            except OSError as error:
                results.append(error.errno)
        assert results[0] == results[1]

    def step(self) -> None:
        rng, name, other = self.rng, self.rng.choice(NAMES), self.rng.choice(NAMES)
        size, at = rng.choice((0, 1, 40, 511, 512, 513, 1024, 2000)), rng.randrange(3000)
        do = rng.choice(
            ("open", "open", "write", "write", "write", "read", "flush", "close", "cut", "remove", "rename")
        )
        if do == "open":
            self._open(name, rng.choice(("a", "w", "r+", "w+", "a+", "x")))
        elif do == "remove":
            self.both(lambda store: store.remove(name))
        elif do == "rename":
            self.both(lambda store: store.rename(name, other))
        elif do == "cut":
            self.both(lambda store: store.truncate(name, at))
        elif self.files:
            self._use(do, rng.choice(self.files), rng.randbytes(size), at if rng.random() < 0.3 else None)

    def _open(self, name: str, mode: str) -> None:
        opened: list[Any] = []
        self.both(lambda store: opened.append(store.open(name, mode)))
        if opened:
            self.files.append((opened[0], opened[1]))

    def _use(self, do: str, files: tuple[Any, Any], data: bytes, at: int | None) -> None:
        def use(file: Any) -> object:
            if at is not None:
                file.seek(at)
            return getattr(file, do)(*{"write": (data,), "read": (900,)}.get(do, ()))

        self.both(use, *files)
        if do == "close":
            self.files.remove(files)

    def compare(self) -> None:
        assert self.on_card.names() == self.model.names()
        assert contents(self.on_card) == self.model.contents()
        assert self.on_card.check() == []


@pytest.mark.parametrize("seed", range(10))
def test_a_card_does_what_the_model_does(seed: int) -> None:
    pair = Pair(seed)
    for step in range(150):
        pair.step()
        if step % 50 == 49 and len(pair.files) < 5:
            pair.compare()
    for files in pair.files:
        for file in files:
            file.close()
    pair.compare()
    again = CardStore.mount(pair.card, pair.config)
    assert contents(again) == pair.model.contents()
    assert again.volume.table.used == pair.on_card.volume.table.used


def on_a_card(name: str, kind: str) -> Run:
    table = load_table(SCENARIOS / name)
    table["run"]["duration"] = "24 h"
    table["store"] = table.get("store", {}) | {"kind": kind}
    table["card"] = {"size": "16 MiB"}
    if kind == "card":
        table.pop("region", None)
    scenario = scenario_of(table)
    assert isinstance(scenario, Scenario)
    return play(scenario, name)


@pytest.mark.parametrize("name", [name for name in ON_FLASH if name.endswith(".toml")])
@needs_fsck
@needs_mtools
def test_a_shipped_scenario_does_the_same_on_a_card_and_fsck_finds_nothing(name: str, tmp_path: Path) -> None:
    run, on_flash = on_a_card(name, "card"), on_a_card(name, "flash")
    assert run.store.medium.kind == "card"
    assert run.store.check() == []
    assert isinstance(run.store, CardStore)
    assert fsck(run.store.card.image(), tmp_path / "image") == []
    assert listed_by_mtools(tmp_path / "image") == run.store.names()
    if not on_flash.refusals and not on_flash.name_faults:  # a smaller store is full sooner; a card always folds case
        assert shape(run) == shape(on_flash)


def test_a_boot_loses_what_waits_and_the_meters_go_on() -> None:
    store = CardStore.format(Card(2048))
    waiting = store.open("/a", "w")
    waiting.write(b"sure")
    waiting.flush()
    waiting.write(b", lost")
    again: AnyStore = store.boot()
    assert waiting.closed
    assert contents(again) == {"/a": b"sure"}
    assert (again.meters.host_bytes, again.meters.payload_bytes_programmed) == (10, 4)
    with pytest.raises(OSError, match=r".") as refused:
        store.remove("/a")
    assert refused.value.errno == errno.EROFS


def test_a_name_with_and_without_a_slash_is_one_file() -> None:
    store = CardStore.format(Card(2048))
    with suppress(OSError), store.open("log/a", "w") as file:
        file.write(b"x")
    assert store.exists("/LOG/A")
    assert store.names() == ["/log/a"]


@pytest.mark.parametrize("command", ["life", "map", "fleet --scale-cycles 1000 --shape 3"])
def test_what_only_flash_has_is_refused_in_one_line(command: str) -> None:
    result = CliRunner().invoke(commands, [*command.split(), str(SCENARIOS / "greenhouse_card.toml")])
    assert (result.exit_code, result.stdout) == (2, "")
    assert "this needs a store on flash" in result.stderr
    assert len(result.stderr.splitlines()) == 1
