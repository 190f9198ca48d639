"""Recordings on the in-memory model and on a card."""

from __future__ import annotations

from pathlib import Path

import pytest

from simfs.fat.card.card import Card
from simfs.files.card_store import CardConfig, CardStore
from simfs.files.model import Model
from simfs.replay.recorded.console.log import replay_console_log
from simfs.replay.recorded.strace.recording import replay_recording
from simfs.show.text import as_text
from simfs.store.format.config import StoreConfig
from simfs.study.run.measure import figures
from tests.contract.test_scenarios import contents
from tests.fat.volumes import fsck, needs_fsck
from tests.support.console_text import console, text_of

STRACE = r"""1 1.0 openat(AT_FDCWD</d>, "a", O_RDWR|O_CREAT|O_TRUNC, 0644) = 3</d/a>
1 2.0 write(3</d/a>, "hello\n", 6) = 6
1 3.0 lseek(3</d/a>, 0, SEEK_SET) = 0
1 4.0 read(3</d/a>, "hello\n", 99) = 6
1 5.0 close(3</d/a>) = 0
1 6.0 rename("/d/a", "/d/b") = 0
"""


@pytest.fixture
def card() -> CardStore:
    return CardStore.format(Card(2048), CardConfig(open_files_max=2))


def test_what_strace_wrote(tmp_path: Path) -> None:
    path = tmp_path / "recording"
    path.write_text(STRACE)
    run = replay_recording(path, Model(), directory="/d")
    assert isinstance(run.store, Model)
    assert run.store.contents() == {"/b": b"hello\n"}
    assert run.skipped == run.refusals == []
    assert run.duration_ns == 5 * 10**9  # no time of its own
    assert "memory of the computer" in as_text(figures(run), ())


def test_a_console_log_with_a_boot(tmp_path: Path) -> None:
    path = tmp_path / "log"
    said = ["open 1 w /a", "write 1 1 61", "flush 1", "write 1 1 62", "boot", "open 1 a /a", "write 1 1 63", "close 1"]
    path.write_text(text_of(console("boot", *said)))
    run = replay_console_log(path, Model(StoreConfig(open_files_max=2)), strict=True)
    assert isinstance(run.store, Model)
    assert run.store.contents() == {"/a": b"ac"}
    assert len(run.boots) == 3


@needs_fsck
def test_what_strace_wrote_on_a_card(card: CardStore, tmp_path: Path) -> None:
    path = tmp_path / "recording"
    path.write_text(STRACE)
    run = replay_recording(path, card, directory="/d")
    assert contents(run.store) == {"/b": b"hello\n"}
    assert run.skipped == run.refusals == []
    assert run.duration_ns > 5 * 10**9
    assert "card typical card: 2,003 clusters of 512 bytes" in as_text(figures(run), ())
    assert fsck(card.card.image(), tmp_path / "image") == []


@needs_fsck
def test_a_console_log_with_a_boot_on_a_card(card: CardStore, tmp_path: Path) -> None:
    """What a boot interrupts was not flushed, so the card does not have it; the name is there, and so is the cluster
    that the driver took when the byte was written, but not yet in the table on the card."""
    path = tmp_path / "log"
    said = ["open 1 w /a", "write 1 1 61", "flush 1", "write 1 1 62", "boot", "open 1 a /A", "write 1 1 63", "close 1"]
    path.write_text(text_of(console("boot", *said)))
    run = replay_console_log(path, card, strict=True)
    assert contents(run.store) == {"/a": b"ac"}
    assert len(run.boots) == 3
    assert run.store.check() == []
    assert fsck(card.card.image(), tmp_path / "image") == []
