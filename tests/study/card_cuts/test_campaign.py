"""Every cut in a short run on a card: what it leaves, what is found, and what mending gives; fsck.fat has the last
word on what was mended."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from itertools import islice
from pathlib import Path

import pytest
from click.testing import CliRunner

from simfs.cli import commands
from simfs.fat.card.card import Card
from simfs.fat.checking.check import check
from simfs.fat.checking.mend import mend
from simfs.files.card_store import CardStore
from simfs.replay.device.device import Device
from simfs.replay.device.task_files import DeviceTask
from simfs.study.card_cuts import campaign as module
from simfs.study.card_cuts.campaign import CardCampaign, campaign, places_of, states
from simfs.study.card_cuts.notes import CardHistory, CardRecorder
from simfs.study.card_cuts.views import View, lost_bytes
from tests.fat.volumes import CONFIG, SIZES, fsck, needs_fsck


def work(task: DeviceTask) -> None:
    """Every operation, with names short and long; the log grows over several clusters."""
    for number in range(4):
        task.append("/log/2031-04-05.csv", b"12:00,21.5\n" * 40)
        task.append("/RINGS.TXT", b"ring %d\n" % number)
    task.write("/settings.new", b"warm = 20\n" * 60)
    task.rename("/settings.new", "/settings.ini")
    task.write("/settings.new", b"warm = 22\n" * 60)
    task.rename("/settings.new", "/settings.ini")
    task.write("/settings.ini", b"warm = 23\n" * 10)
    task.remove("/log/2031-04-05.csv")
    task.append("/log/2031-04-06.csv", b"13:00,22.0\n" * 40)
    task.append("/RINGS.TXT", b"ring\n" * 600)


@cache
def a_run(kind: str = "FAT12") -> CardHistory:
    kib, cluster_bytes = SIZES[kind]
    recorder = CardRecorder()
    device = Device(CardStore.format(Card(2 * kib), CONFIG, cluster_bytes), observers=[recorder])
    work(DeviceTask(device, "logger"))
    assert not device.refusals
    return recorder.history("a run")


@cache
def every_cut(kind: str = "FAT12") -> CardCampaign:
    history = a_run(kind)
    return campaign(history, places_of(history, None, 0))


def cards(history: CardHistory) -> Iterator[tuple[int, bool, Card]]:
    """The card as each cut leaves it."""
    card = history.start.copy()
    for number, (sector, data) in enumerate(history.writes):
        for torn in (False, True):
            left = card.copy()
            if torn:
                left.unreadable.add(sector)
            yield number, torn, left
        card.write(sector, data)


@pytest.mark.parametrize("kind", ["FAT12", "FAT16"])
def test_where_no_sector_is_torn_nothing_acknowledged_is_lost_and_all_can_be_mended(kind: str) -> None:
    found = every_cut(kind)
    assert found.states == 2 * len(a_run(kind).writes)
    assert {torn for (_, torn), hit in found.hits.items() if hit.losing} == {True}
    assert found.not_mended == []
    assert {what for what, _ in found.hits} == {"data", "table, copy 1", "table, copy 2", "directory"}
    assert set(found.faults) >= {"unreadable", "lost chain", "copies differ", "chain too long"}


def test_what_a_torn_sector_costs() -> None:
    """A copy of the table nothing, once mended; data one sector; a directory all that it holds."""
    found = every_cut()
    for copy in ("table, copy 1", "table, copy 2"):
        assert found.hits[copy, True].losing_after == 0
    assert found.hits["table, copy 1", True].losing > 0
    assert found.hits["table, copy 2", True].losing == 0
    assert 0 < found.hits["data", True].lost_bytes_max < 512
    worst = found.worst
    assert worst is not None
    assert (worst.hit, worst.torn) == ("directory", True)
    assert {"/settings.ini", "/RINGS.TXT"} <= set(worst.lost)
    assert worst.kept_bytes > 0


@needs_fsck
def test_fsck_finds_nothing_to_mend_after_mending(tmp_path: Path) -> None:
    tried = 0
    for number, torn, card in cards(a_run()):
        if torn or check(card):
            mend(card)
            assert check(card) == [], (number, torn)
            if number % 4 == torn:
                assert fsck(card.image(), tmp_path / "image") == [], (number, torn)
                tried += 1
    assert tried > 25


def test_the_firmware_can_go_on_after_each_mended_cut() -> None:
    for _, _, card in islice(cards(a_run()), 1, None, 5):
        mend(card)
        device = Device(CardStore.mount(card, CONFIG))
        DeviceTask(device, "logger").append("/log/2031-04-07.csv", b"on we go\n")
        DeviceTask(device, "logger").append("/RINGS.TXT", b"ring\n")
        assert device.refusals == []
        assert device.store.check() == []


@pytest.mark.parametrize(
    ("before", "after", "found", "lost"),
    [
        ({"/a": b"12"}, {"/a": b"1234"}, {"/a": b"12"}, {}),
        ({"/a": b"12"}, {"/a": b"1234"}, {"/a": b"123"}, {}),
        ({"/a": b"12"}, {"/a": b"1234"}, {"/a": b"1"}, {"/a": 2}),
        ({"/a": b"12"}, {"/a": b"12"}, {}, {"/a": 2}),
        ({"/a": b"12"}, {}, {}, {}),
        ({"/a": b"12"}, {"/b": b"12"}, {"/b": b"12"}, {}),
        ({"/a": b"12"}, {"/b": b"12"}, {}, {"/a": 2}),
        ({"/a": b"12"}, {"/a": b"345"}, {"/a": b""}, {}),
        ({"/a": b"12"}, {"/a": b"345"}, {"/a": b"99"}, {"/a": 2}),
        ({"/a": b"1" * 512 + b"2" * 88}, {"/a": b""}, {"/a": b"1" * 512 + b"x" * 512}, {"/a": 88}),
    ],
)
def test_what_counts_as_lost(
    before: dict[str, bytes], after: dict[str, bytes], found: dict[str, bytes], lost: dict[str, int]
) -> None:
    assert lost_bytes(before, after, View(files=dict(found))) == lost


def test_a_driver_that_writes_the_entry_first_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    """The campaign on a driver that links a file to its new clusters before they are marked as taken."""
    history = a_run()
    layout = module.read_layout(history.start.look, history.start.sector_count)
    swapped = list(history.writes)
    for done in history.operations:
        inside = swapped[done.begin : done.end]
        tables = [write for write in inside if write[0] < layout.root_start]
        swapped[done.begin : done.end] = [write for write in inside if write not in tables] + tables
    wrong = CardHistory("wrong", history.start, history.config, tuple(swapped), history.operations)
    untorn = [state for state in states(wrong, range(0, len(swapped), 2)) if not state.torn]
    assert any(set(state.faults) & {"chain", "size"} for state in untorn)


def test_a_sample_is_drawn_again_the_same() -> None:
    history = a_run()
    drawn = places_of(history, 20, 3)
    assert drawn == places_of(history, 20, 3) != places_of(history, 20, 4)
    assert len(set(drawn)) == 20
    assert places_of(history, 10_000, 0) == list(range(len(history.writes)))


SCENARIO = """
[store]
kind = "card"
[card]
size = "1 MiB"
[run]
duration = "2 h"
[[task]]
name = "log"
every = "10 min"
operations = [{ do = "append", file = "/log/{hour}.csv", text = "{time}\\n" }]
"""


@pytest.mark.parametrize(
    ("options", "status", "said"),
    [
        ([], 0, "Where no sector is torn, nothing that was acknowledged is lost."),
        (["--sample", "5"], 0, "Power cut at 5 sector writes drawn with seed 0"),
        (["--every", "operation"], 0, "Power cut at every sector write"),
        (["--sample", "5", "--json"], 0, '"loses_untorn": 0'),
        (["--every", "byte"], 2, "a card writes a sector whole"),
        (["--lives", "1"], 2, "--lives: it is for a store on flash"),
        (["--depth", "2"], 2, "--depth: it is for a store on flash"),
    ],
)
def test_the_command(options: list[str], status: int, said: str, tmp_path: Path) -> None:
    path = tmp_path / "logger.toml"
    path.write_text(SCENARIO)
    result = CliRunner().invoke(commands, ["cuts", str(path), *options])
    assert (result.exit_code, said in result.output) == (status, True), result.output
    assert "--json" in options or all(len(line) <= 100 for line in result.stdout.splitlines())
    assert len(result.stderr.splitlines()) <= 1
