"""The commands: arguments, exit codes, progress. The only place that prints.

Everything but click is imported when a command needs it, so that `simfs --help` answers at once.
"""

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import IO, TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from simfs.files import Store
    from simfs.replay.run import Run

Progress = Callable[[int, int], None]

UNMET, BAD_INPUT, STOPPED, READER_GONE = 1, 2, 130, 141
FAULT_SIGNS_MAX = 2000
PART_OF_RECORDINGS = "generic"


class Refused(click.ClickException):
    """Ends the program with a line on standard error for each fault."""

    exit_code = BAD_INPUT

    def __init__(self, *faults: object) -> None:
        from simfs.show.units import plain

        super().__init__("\n".join(plain(str(fault), FAULT_SIGNS_MAX) for fault in faults))

    def show(self, file: IO[Any] | None = None) -> None:
        print(self.message, file=sys.stderr)


class Stopped(Refused):
    """The user stopped the program."""

    exit_code = STOPPED


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
def commands() -> None:
    """Replays what a device does with its files on a model of its flash, and tells whether it will hold."""


@commands.command()
@click.argument("file")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every figure.")
@click.option("--save-image", metavar="IMAGE", help="Keep the flash as it stands at the end in this file.")
@click.option("--strict", is_flag=True, help="Recording: a line that can't be read is bad input.")
@click.option("--directory", metavar="DIR", help="Recording: the directory that stands for the store.")
@click.option("--device", metavar="SCENARIO", help="Recording: a scenario that tells chip and store.")
@click.option("--part", metavar="NAME", help="Recording: the chip; `simfs parts` lists them.")
@click.option("--size", metavar="SIZE", help="Recording: the store's room on the chip, such as 1MiB.")
def run(file: str, as_json: bool, save_image: str | None, **options: Any) -> None:
    """Replay FILE and report what the flash went through.

    FILE is a scenario (.toml), a Python script (.py), or a recording: what
    `strace -f -y -ttt -s 1048576 -x` wrote about a program.

    The exit status is 0, or 1 when an expectation is not met, or 2 on bad input.
    """
    _check_source(file)
    if save_image is not None:
        _check_target(save_image, file)
    try:
        done = _replay(file, options)
        report, met = _report(done, as_json)
        fault = _save(done, save_image) if save_image is not None else ""
    except KeyboardInterrupt:
        raise Stopped("simfs: stopped") from None
    _print(report)
    if fault:
        raise Refused(fault)
    if not met:
        sys.exit(UNMET)


@commands.command()
def schema() -> None:
    """Print the JSON Schema of a scenario, for editors that check TOML."""
    from simfs.replay.reading import scenario_schema

    _print(scenario_schema())


@commands.command()
def parts() -> None:
    """List the flash parts that the catalogue has."""
    from simfs.flash.parts import PARTS
    from simfs.show.catalogue import as_table

    _print(as_table(PARTS.values()))


def main() -> None:
    """The program `simfs`."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a name that the terminal can't show must not end the report
    try:
        sys.exit(commands.main(standalone_mode=False))
    except click.UsageError as error:
        print(f"simfs: {error.format_message()} See simfs --help.", file=sys.stderr)
        sys.exit(BAD_INPUT)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except click.Abort:
        sys.exit(STOPPED)


def _replay(file: str, options: dict[str, Any]) -> Run:
    """Replay a scenario, a script or a recording."""
    from simfs.replay.faults import BadScenario
    from simfs.replay.play import replay
    from simfs.replay.recording import BadRecording

    try:
        with _progress() as progress:
            if not file.endswith((".toml", ".py")):
                return _replay_recording(file, progress, **options)
            given = [name for name, value in options.items() if value]
            if given:
                raise Refused(*(f"--{name}: it is for recordings, and {file} is none; leave it out" for name in given))
            return replay(file, progress)
    except BadScenario as error:
        raise Refused(*error.faults) from None
    except BadRecording as error:
        raise Refused(error) from None
    except OSError as error:  # the file went away, or the flash holds no store any more
        raise Refused(f"{file}: {error.strerror or error}") from None


def _replay_recording(
    file: str,
    progress: Progress | None,
    strict: bool,
    directory: str | None,
    device: str | None,
    part: str | None,
    size: str | None,
) -> Run:
    from simfs.replay.recording import is_recording, replay_recording

    if not is_recording(file):
        raise Refused(
            f"{file}: it is no recording; give a scenario (.toml), a script (.py) or what "
            "strace -f -y -ttt -s 1048576 -x wrote"
        )
    store = _store_like(device, part, size) if device else _store_on(part or PART_OF_RECORDINGS, size)
    return replay_recording(file, store, directory=directory, strict=strict, progress=progress)


def _store_like(device: str, part: str | None, size: str | None) -> Store:
    """A store on the flash that a scenario describes."""
    from simfs.replay.play import make_store
    from simfs.replay.reading import load_scenario

    if part or size:
        raise Refused(f"--{'part' if part else 'size'}: {device} tells it already; leave out this or --device")
    _check_source(device)
    return make_store(load_scenario(device))


def _store_on(part: str, size: str | None) -> Store:
    """A store with the usual settings on the beginning of a part, or on all of it."""
    from simfs.files import Store
    from simfs.flash import NorFlash
    from simfs.flash.parts import PARTS
    from simfs.replay.quantities import parse_size

    if part not in PARTS:
        raise Refused(f"--part {part}: there is no such part in the catalogue; known are {', '.join(PARTS)}")
    sheet = PARTS[part]
    try:
        blocks, rest_bytes = divmod(parse_size(size) if size else sheet.size_bytes, sheet.block_bytes)
        if rest_bytes:
            raise ValueError(f"it is no multiple of the erase block of {part}, {sheet.block_bytes} bytes; write one")
        return Store.format(NorFlash.part(part, block_count=blocks))
    except ValueError as error:
        raise Refused(f"--size {size}: {error}") from None


@contextmanager
def _progress() -> Iterator[Progress | None]:
    """A bar that goes away, for people only."""
    if not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm

    shape = "{percentage:3.0f} % |{bar}| {elapsed} so far, {remaining} to go"
    with tqdm(leave=False, delay=1, file=sys.stderr, bar_format=shape) as bar:

        def tell(done: int, whole: int) -> None:
            bar.total = whole
            bar.update(done - bar.n)

        yield tell


def _report(done: Run, as_json: bool) -> tuple[str, bool]:
    """The text to print, and whether every expectation is met."""
    from simfs.study.expect import judge
    from simfs.study.figures import figures

    taken = figures(done)
    verdicts = judge(done, taken)
    if as_json:
        from simfs.show.json import as_json as shown
    else:
        from simfs.show.text import as_text as shown
    return shown(taken, verdicts), all(verdict.met for verdict in verdicts)


def _check_source(file: str) -> None:
    """A file that can't be read is refused before anything else, and one that never ends is too."""
    try:
        if not stat.S_ISREG(os.stat(file).st_mode):
            raise Refused(f"{file}: it is no regular file; give a scenario, a script or a recording")
        with open(file, "rb"):
            pass
    except OSError as error:
        raise Refused(f"{file}: {error.strerror}; give a scenario, a script or a recording") from None
    except ValueError:  # a NUL in the name
        raise Refused(f"{file}: this can't be a file name") from None


def _check_target(image: str, source: str) -> None:
    """Refuse before the run what could not be written after it."""
    directory = os.path.dirname(os.path.realpath(image))
    if os.path.exists(image) and not os.path.isfile(image):
        raise Refused(f"--save-image {image}: it is no regular file; name a file to write")
    if os.path.exists(image) and os.path.exists(source) and os.path.samefile(image, source):
        raise Refused(f"--save-image {image}: this is the input; name another file")
    if not os.path.isdir(directory):
        raise Refused(f"--save-image {image}: there is no directory {directory}; create it first")
    if not os.access(directory, os.W_OK):
        raise Refused(f"--save-image {image}: nothing can be written in {directory}; name another place")


def _save(done: Run, image: str) -> str:
    """Keep the flash; what went wrong, or nothing."""
    from simfs.show.save import write_whole

    try:
        write_whole(image, done.flash.image())
    except OSError as error:
        return f"--save-image {image}: {error.strerror}; no image was written"
    return ""


def _print(text: str) -> None:
    """A reader that went away, as `head` does, is no fault."""
    try:
        print(text, flush=True)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(READER_GONE)
    except OSError as error:
        raise Refused(f"standard output: {error.strerror}") from None
