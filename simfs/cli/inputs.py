"""What a command replays: a scenario, a script, or a recording on the store that the options describe."""

from __future__ import annotations

import os
import re
import stat
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import click

from simfs.cli.exits import FAULT_SIGNS_MAX, Refused
from simfs.cli.progress import Progress, progress_bar, shown

if TYPE_CHECKING:
    from simfs.files.contract import AnyStore
    from simfs.replay.device.device import Run
    from simfs.replay.device.observer import Observer
    from simfs.replay.recorded.rounds import Rounds
    from simfs.replay.scenario.tables import Scenario

Command = TypeVar("Command", bound=Callable[..., Any])

PART_OF_RECORDINGS = "generic"
SNIFFED_BYTES = 1 << 16


def recording_options(command: Command) -> Command:
    """Add to a command the options that say how a recording is replayed."""
    for option in reversed(_RECORDING_OPTIONS):
        command = option(command)
    return command


def carrying_options(command: Command) -> Command:
    """Add to a command the options that say how long a recording goes on, and so at which pace."""
    for option in reversed(_CARRYING_OPTIONS):
        command = option(command)
    return command


_CARRYING_OPTIONS = (
    click.option("--repeat", metavar="N", type=click.IntRange(1), help="Recording: do its work N times in all."),
    click.option(
        "--for", metavar="DURATION", help="Recording: do its work again until this time has passed, such as 5years."
    ),
    click.option(
        "--takes", metavar="DURATION", help="Recording by strace: how long the device takes for its work, such as 1d."
    ),
)

_RECORDING_OPTIONS = (
    click.option(
        "--strict", is_flag=True, help="Recording: a line that can't be read, or a file that may differ, is an error."
    ),
    click.option("--directory", metavar="DIR", help="Recording by strace: the directory that the store replaces."),
    click.option("--device", metavar="SCENARIO", help="Recording: take chip and store from a scenario."),
    click.option("--part", metavar="NAME", help="Recording: the chip; `simfs parts` lists them."),
    click.option("--size", metavar="SIZE", help="Recording: the store's size on the chip, such as 1MiB."),
)


def check_source(file: str, wanted: str = "give a scenario, a script or a recording") -> None:
    """Refuse a file that can't be read, or that never ends, before anything else; `wanted` says what to give."""
    if not file:
        raise Refused(f"FILE: the name is empty; {wanted}")
    try:
        if not stat.S_ISREG(os.stat(file).st_mode):
            raise Refused(f"{file}: it is not a regular file; {wanted}")
        with open(file, "rb"):
            pass
    except OSError as error:
        raise Refused(f"{file}: {error.strerror}; {wanted}") from None
    except ValueError:  # a NUL in the name
        raise Refused(f"{file}: this can't be a file name") from None


def replay_source(
    file: str, options: dict[str, Any], observers: Sequence[Observer] = (), *, plain: bool = False
) -> Run:
    """Replay a scenario, a script or a recording; `options` are those of recordings, `plain` is for scenarios."""
    from simfs.files.store import NoLog
    from simfs.replay.play import replay
    from simfs.replay.scenario.input_faults import BadScenario

    if plain and not file.endswith(".toml"):
        raise Refused(f"--plain: it is for scenarios, and {file} is none; leave it out")
    try:
        with progress_bar(f"{'running' if file.endswith('.py') else 'replaying'} {shown(file)}") as progress:
            if not file.endswith((".toml", ".py")):
                return _replay_recording(file, progress, observers, **options)
            given = [name for name, value in options.items() if value]
            if given:
                raise Refused(*(f"--{name}: it is for recordings, and {file} is none; leave it out" for name in given))
            if file.endswith(".toml"):
                warn(file)
            return replay(file, progress, observers=observers, plain=plain)
    except BadScenario as error:
        raise Refused(*error.faults) from None
    except NoLog as error:  # who observes the run needs one
        raise Refused(f"{file}: {error}") from None
    except OSError as error:  # the file went away, or the flash holds no store any more
        raise Refused(f"{file}: {error.strerror or error}") from None


def warn(file: str, scenario: Scenario | None = None, *, ends: bool = True) -> None:
    """Say on standard error what a scenario says without effect; `scenario` is what was read from the file, `ends` as
    for `remarks`. Without it fails as `load_scenario` does."""
    from simfs.replay.scenario.load import load_scenario
    from simfs.replay.scenario.remarks import remarks
    from simfs.show.units import plain

    for remark in remarks(scenario or load_scenario(file), file, ends=ends):
        print(f"warning: {plain(str(remark), FAULT_SIGNS_MAX)}", file=sys.stderr)


def _replay_recording(
    file: str,
    progress: Progress | None,
    observers: Sequence[Observer],
    strict: bool,
    directory: str | None,
    device: str | None,
    part: str | None,
    size: str | None,
    **carrying: Any,
) -> Run:
    from simfs.replay.recorded.console.log import replay_console_log
    from simfs.replay.recorded.faults import BadRecording
    from simfs.replay.recorded.strace.recording import replay_recording
    from simfs.replay.scenario.load import load_scenario
    from simfs.replay.scenario.tables import DeviceOnly

    takes = carrying.get("takes")
    takes_ns = None if takes is None else _time_ns("--takes", takes)
    from_console = _is_from_console(file, directory, takes_ns)
    rounds = _rounds(**carrying)
    store = described_store(device, part, size)
    like = load_scenario(device, DeviceOnly) if device else None
    expect = like.expect.table() if like else None
    try:
        if from_console:
            run = replay_console_log(
                file, store, strict=strict, progress=progress, observers=observers, rounds=rounds, expect=expect
            )
        else:
            run = replay_recording(
                file, store, directory=directory and _absolute(directory), strict=strict, progress=progress,
                observers=observers, rounds=rounds, expect=expect, takes_ns=takes_ns,
            )  # fmt: skip
    except BadRecording as error:
        raise Refused(error) from None
    run.battery = like.battery.battery() if like and like.battery else None
    return run


def _is_from_console(file: str, directory: str | None, takes_ns: int | None) -> bool:
    """Whether a recording is a console's log, for which these options are not; else strace wrote it."""
    from simfs.replay.recorded.console.log import is_console_log
    from simfs.replay.recorded.strace.recording import is_recording

    if is_recording(file):
        return False
    if not is_console_log(file):
        raise Refused(f"{file}: {_no_recording(file)}")
    if directory:
        raise Refused(f"--directory: it is for what strace wrote, and {file} has the store's own names; leave it out")
    if takes_ns is not None:
        raise Refused(f"--takes: it is for what strace wrote, and {file} has the device's own times; leave it out")
    return True


def _no_recording(file: str) -> str:
    """What to say of a file that is neither a scenario nor a script by its name, and no recording."""
    with open(file, "rb") as opened:
        start = opened.read(SNIFFED_BYTES)
    if b"\0" in start or b"\xff" * 8 in start:
        return "it is no text; `simfs image explain` looks into an image of a flash, and `simfs run` takes no image"
    if re.search(rb"^\s*\[{1,2}(?:chip|store|run|task)\]", start, re.MULTILINE):
        return "it reads like a scenario, but its name does not end with .toml; rename it"
    return (
        "it is not a recording; give a scenario (.toml), a script (.py), what strace -f -y -ttt -s 1048576 -x wrote, "
        "or a console's log with lines of `simfs recorder`"
    )


def _rounds(**carrying: Any) -> Rounds:
    """How long a recording is carried on: `repeat` and `for` are the options, which not every command has."""
    from simfs.replay.recorded.rounds import ONCE, Rounds

    repeat, duration = carrying.get("repeat"), carrying.get("for")
    if repeat and duration is not None:
        raise Refused("--repeat and --for: each says how long the recording goes on; give one of them")
    if duration is None:
        return Rounds(repeat) if repeat else ONCE
    return Rounds(duration_ns=_time_ns("--for", duration))


def _time_ns(option: str, text: str) -> int:
    """What an option says, which has to be more than nothing."""
    from simfs.replay.scenario.quantities import parse_duration

    try:
        duration_ns = parse_duration(text)
    except ValueError as error:
        raise Refused(f"{option} {text}: {error}") from None
    if not duration_ns:
        raise Refused(f"{option} {text}: this is no time; write for example 30 d")
    return duration_ns


def _absolute(directory: str) -> str:
    """A directory that may be given as seen from here; the recording names all of them from the root on."""
    return directory if directory.startswith("/") else os.path.abspath(directory)


def refuse_a_card(scenario: Scenario, file: str) -> None:
    """Refuse a scenario whose files are on a card, or on flash and card, where only flash has an answer."""
    if scenario.store.kind != "flash":
        raise Refused(f'{file}: store.kind: this needs a store on flash; write kind = "flash" and a [chip]')


def refuse_both(scenario: Scenario, file: str) -> None:
    """Refuse a scenario with flash and card where nobody takes the card out."""
    if scenario.store.kind == "both":
        raise Refused(f'{file}: store.kind: this works on one medium; write kind = "flash" or kind = "card"')


def described_store(device: str | None, part: str | None, size: str | None) -> AnyStore:
    """A new store: as a scenario describes it, or at the beginning of a part, by default of the generic one."""
    return _store_like(device, part, size) if device else _store_on(part or PART_OF_RECORDINGS, size)


def _store_like(device: str, part: str | None, size: str | None) -> AnyStore:
    """A store on the flash that a scenario describes."""
    from simfs.replay.play import make_store
    from simfs.replay.scenario.load import load_scenario
    from simfs.replay.scenario.tables import DeviceOnly

    if part or size:
        raise Refused(f"--{'part' if part else 'size'}: {device} gives it already; leave out this or --device")
    check_source(device)
    scenario = load_scenario(device, DeviceOnly)
    refuse_both(scenario, device)
    return make_store(scenario)


def _store_on(part: str, size: str | None) -> AnyStore:
    """A store with the default settings at the beginning of a part, or on all of it."""
    from simfs.files import Store
    from simfs.flash import NorFlash
    from simfs.flash.parts import PARTS
    from simfs.replay.scenario.near_words import did_you_mean
    from simfs.replay.scenario.quantities import format_size, parse_size

    if part not in PARTS:
        near = did_you_mean(part, PARTS)
        raise Refused(f"--part {part}: there is no such part in the catalogue; {near}known are {', '.join(PARTS)}")
    sheet = PARTS[part]
    try:
        blocks, rest_bytes = divmod(parse_size(size) if size else sheet.size_bytes, sheet.block_bytes)
        if rest_bytes:
            raise ValueError(f"it is not a multiple of the erase block of {part}, {sheet.block_bytes} bytes; write one")
        if blocks * sheet.block_bytes > sheet.size_bytes:
            free = format_size(sheet.size_bytes)
            raise ValueError(f"{part} has {free}, and all of them are free; write at most that, or take a larger part")
        return Store.format(NorFlash.part(part, block_count=blocks))
    except ValueError as error:
        raise Refused(f"--size {size}: {error}") from None
