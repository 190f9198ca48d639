"""Console logs: what a firmware printed with `recorder.h` about its files, replayed on a store.

The device does what the firmware printed, at its times. Names are the store's own. What was lost on the way, or is not
in a log, is in `Run.skipped`.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from simfs.files.contract import AnyStore
from simfs.replay.device.device import Device, Run
from simfs.replay.device.name_check import name_faults
from simfs.replay.device.observer import Observer
from simfs.replay.recorded.console.lines import RIGHT_LINE, Joined, Record, Torn, found_in, whole_line
from simfs.replay.recorded.console.numbered import NumberedOrder
from simfs.replay.recorded.console.order import BOOT, Gap, Order
from simfs.replay.recorded.console.replayer import ConsoleReplayer
from simfs.replay.recorded.faults import BadRecording, Unreadable
from simfs.replay.recorded.rounds import ONCE, CarriedOn, Rounds
from simfs.replay.recorded.skipped import SkippedLedger
from simfs.replay.recorded.source import Progress, opened, told

SNIFFED_BYTES = 1 << 20  # at once
_SEEMS = re.compile(rb"@fs[0-9]{1,3}(?: [0-9]{1,10}){2,3} [a-z]+ ")
_SEEMS_BYTES_MAX = 64
LINES_PER_PROGRESS = 4096


def is_console_log(path: str | os.PathLike[str]) -> bool:
    """Whether a whole line of `recorder.h` stands somewhere in a file. Reads as far as the first one."""
    try:
        if not _seems_one(path):
            return False
        with opened(path) as lines:
            return any(
                whole_line(number, text) or any(isinstance(found, Record) for found in found_in(number, text))
                for number, text in enumerate(lines, 1)
            )
    except OSError:
        return False


def _seems_one(path: str | os.PathLike[str]) -> bool:
    """Whether some part of a file looks like the beginning of a line. The file need not be text."""
    with open(path, "rb") as file:
        rest = b""
        while piece := file.read(SNIFFED_BYTES):
            if _SEEMS.search(rest + piece):
                return True
            rest = piece[-_SEEMS_BYTES_MAX:]
    return False


def replay_console_log(
    path: str | os.PathLike[str],
    store: AnyStore,
    *,
    strict: bool = False,
    progress: Progress | None = None,
    observers: Iterable[Observer] = (),
    rounds: Rounds = ONCE,
    expect: dict[str, object] | None = None,
) -> Run:
    """Replay a console log on `store`, which should be freshly formatted.

    Lines that are torn or lost are counted and reported with their place; with `strict` they raise `BadRecording`.
    `observers` are called for all that happens. `rounds` says how long the log is carried on, `expect` what is expected
    of the run. `OSError` if the file can't be read.
    """
    source = os.fspath(path)
    ledger = SkippedLedger(source, strict)
    device = Device(store, observers=observers)
    replayer = ConsoleReplayer(device, ledger)
    carried = CarriedOn(rounds, device, ledger)
    try:
        for _ in carried:
            _play_round(path, replayer, ledger, carried, progress)
    except Unreadable as error:
        raise BadRecording(str(error)) from None
    replayer.finish()
    run = device.finish(
        title=f"{Path(source).stem}: what the firmware printed on its console{carried.title}",
        source=source,
        kind="recording",
        name_faults=name_faults(replayer.store.names, store.name_rules),
        skipped=ledger.entries(),
        expect=expect,
    )
    run.telling_ns, run.asked_ns = carried.telling_ns, carried.asked_ns
    return run


def _play_round(
    path: str | os.PathLike[str],
    replayer: ConsoleReplayer,
    ledger: SkippedLedger,
    carried: CarriedOn,
    progress: Progress | None,
) -> None:
    """All lines of the log once."""
    store = replayer.store
    store.clock.begin()
    with opened(path) as lines:
        tell = told(lines, carried.progress(progress))
        for number, record in enumerate(in_order(lines, ledger)):
            if not number and not (isinstance(record, Record) and record.operation == BOOT):
                replayer.finish()  # what the round before left open
            if isinstance(record, Record):
                store.clock.show(record.time_ms, record.operation == BOOT)
            if carried.over(store.due_ns()):
                break
            replayer.apply(record)
            if not number % LINES_PER_PROGRESS:
                tell()
        carried.ends_at(store.due_ns())
        store.later_rounds = True
        tell()


def in_order(lines: Iterable[str], ledger: SkippedLedger) -> Iterator[Record | Gap]:
    """The operations in the order in which the firmware printed them. Torn and odd lines go to the ledger."""
    plain, numbered = Order(ledger.odd, ledger.doubtful), NumberedOrder(ledger.odd, ledger.doubtful)
    order: Order | NumberedOrder = plain
    for number, text in enumerate(lines, 1):
        whole = whole_line(number, text)
        if whole is not None and order.follows(whole):
            yield whole
            continue
        for found in [whole] if whole else found_in(number, text):
            if isinstance(found, Torn):
                ledger.unreadable(found.line, found.text, found.why, RIGHT_LINE)
            elif isinstance(found, Joined):
                ledger.note(found.line, "a line end is lost, two lines stand in one")
            else:
                before, order = order, plain if found.boot is None else numbered
                if order is not before:
                    yield from before.finish()
                yield from order.take(found)
    yield from order.finish()
