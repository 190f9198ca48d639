"""Hostile names: up and out of the store, into the terminal, into a spreadsheet, into a page; too long, cut inside a
letter, no text at all. Through the store, over a mount, and into both reports."""

from __future__ import annotations

import errno
import json
from pathlib import PurePosixPath
from random import Random

from simfs import NorFlash, Store, StoreConfig
from simfs.files.names import Name
from simfs.replay.device.device import Device
from simfs.replay.device.name_check import name_faults
from simfs.replay.device.task_files import DeviceTask
from simfs.show.json import as_json
from simfs.show.text import as_text
from simfs.study.run.measure import figures
from tests.hostile.tally import Tally

BATCH = 50
_PIECES = (
    "..", "/", "../", "/../../etc/passwd", "\\", "C:\\", "~", "-rf", ".", "a", "log", " ", "\t", "\n", "\r\n", "\0",
    "\x07", "\x1b[2J", "\x1b]0;title\x07", "\x9b31m", "\x7f", "=1+1", "=cmd|' /C calc'!A0", "+1", "@SUM(A1)",
    "<script>alert(1)</script>", "&amp;", '"><img src=x onerror=x>', "'", "`id`", "$(id)", "%s%n", "%00", "{date}",
    "{0.__class__}", "{{", "CON", "NUL.txt", "é", "e\u0301", "İ", "ß", "K", "\u202e", "\u2028", "\u200b", "\ufeff",
    "\uffff", "😀", "\U000e0001", "\udcff", "\udc80\udcbf", "\ud800", "\udfff", "漢字", "A", "a" * 30, "z" * 300,
    "/" * 60,
)  # fmt: skip
_CONFIGS = tuple(
    StoreConfig(name_bytes=limit, overlong=overlong, fold_case=fold, open_files_max=2)
    for limit, overlong, fold in ((48, "reject", False), (256, "reject", True), (20, "cut", False), (5, "cut", True))
)


def run_names(cases: int, seed: int) -> Tally:
    """So many names, in batches that share a store and a report."""
    tally = Tally()
    for number in range(0, cases, BATCH):
        random = Random(f"{seed} {number}")
        config = _CONFIGS[number // BATCH % len(_CONFIGS)]
        store = Store.format(NorFlash(12, 4096, 256), config)
        names = [hostile_name(random) for _ in range(min(BATCH, cases - number))]
        for at, name in enumerate(names):
            outcome, fault = _judge(store, name, random)
            tally.note(outcome, fault and f"run_names: {seed} {number}: name {at} {name!r}: {fault}")
        fault = _over_a_mount(store) or _in_reports(config, names)
        if fault:
            tally.note("batch", f"run_names: {seed} {number}: {fault}")
            tally.cases -= 1
    return tally


def hostile_name(random: Random) -> Name:
    """A `str`, now and then bytes or a path."""
    if random.randrange(10) == 0:
        return random.randbytes(random.choice((0, 1, 5, 19, 20, 47, 48, 255, 256, 3000)))
    text = "".join(random.choice(_PIECES) for _ in range(random.choice((0, 1, 1, 2, 2, 3, 8, 40))))
    if random.randrange(20) == 0:
        text = chr(random.randrange(0x110000)) * random.randrange(1, 300)
    return PurePosixPath(text) if random.randrange(20) == 0 and "\0" not in text else text


def _encoded(name: Name) -> bytes | None:
    """The name's bytes; None when no bytes stand for it."""
    if isinstance(name, bytes):
        return name
    try:
        return str(name).encode()
    except UnicodeEncodeError:
        try:
            return str(name).encode("utf-8", "surrogateescape")
        except UnicodeEncodeError:
            return None


def _judge(store: Store, name: Name, random: Random) -> tuple[str, str | None]:
    """One name through all that takes a name."""
    encoded = _encoded(name)
    try:
        with store.open(name, "w") as file:
            file.write(b"x")
        with store.open(name) as file:
            if file.read() != b"x":
                return "wrong", "the bytes written are not those that are read"
        if store.stat(name).size_bytes != 1 or not store.exists(name):
            return "wrong", "it was written and is not there"
        kept = _kept(store, encoded or b"")
        if kept not in store.names():
            return "wrong", f"{kept!r} is not listed"
        if random.randrange(2):
            store.rename(name, hostile_name(random))
        if random.randrange(3) == 0:
            store.remove(kept)
    except ValueError as error:
        return "ValueError", None if type(error) in (ValueError, UnicodeEncodeError) else repr(error)
    except OSError as error:
        usual = (errno.ENOENT, errno.ENAMETOOLONG, errno.ENOSPC)
        return errno.errorcode[error.errno or 0], None if error.errno in usual else repr(error)
    except Exception as error:
        return "exception", repr(error)
    if encoded is None or b"\0" in encoded or not encoded:
        return "wrong", "it was taken"
    return "taken", None


def _kept(store: Store, encoded: bytes) -> str:
    """How the name that was created now is listed: cut, and in the case of whoever created it."""
    limit, fold = store.config.name_bytes - 1, store.config.fold_case
    cut = encoded[:limit]
    listed = [other.encode("utf-8", "surrogateescape") for other in store.names()]
    found = cut if not fold else next((other for other in listed if other.lower() == cut.lower()), cut)
    return found.decode("utf-8", "surrogateescape")


def _over_a_mount(store: Store) -> str | None:
    again = Store.mount(store.flash, read_only=True)
    if again.names() != store.names():
        return "a mount finds other names"
    problems = store.check()
    return problems[0] if problems else None


def _in_reports(config: StoreConfig, names: list[Name]) -> str | None:
    """The names as files of a device: the reports show them as text and as nothing else."""
    device = Device(Store.format(NorFlash(12, 4096, 256), config))
    task = DeviceTask(device, "hostile \x1b[31m task")
    texts = [name for name in names if isinstance(name, str) and "\0" not in name and _encoded(name) is not None]
    try:
        for name in texts:
            task.write(name, b"x")
            task.read(name + "x")
            task.rename(name, name[::-1] if _encoded(name[::-1]) else "x")
        title = (texts or [""])[0]
        faults = name_faults(device.names_used, device.store.name_rules)
        run = device.finish(title=title, source=title, kind="scenario", name_faults=faults)
        taken = figures(run)
        text, parsed = as_text(taken, ()), json.loads(as_json(taken, ()))
    except Exception as error:
        return f"reports: {error!r}"
    strange = [line for line in text.split("\n") if not line.isprintable()]
    if strange:
        return f"the text report holds {strange[0]!r}"
    return None if isinstance(parsed, dict) else "the JSON report is no object"
