"""What a run gives at its end: the report, and an image of its flash."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from simfs.cli.exits import Refused

if TYPE_CHECKING:
    from simfs.replay.device.device import Run
    from simfs.study.run.expect import Verdict
    from simfs.study.run.figures import Figures
    from simfs.study.wearers.report import Wearers


def judged(done: Run) -> tuple[Figures, tuple[Verdict, ...]]:
    """The figures of a run with what comes after it, and what becomes of its expectations."""
    from simfs.study.run.expect import judge
    from simfs.study.run.measure import figures
    from simfs.study.run.outlook import with_outlook

    taken = with_outlook(done, figures(done))
    return taken, judge(done, taken)


def report_of(
    taken: Figures, verdicts: tuple[Verdict, ...], as_json: bool, wearers: Wearers | None = None
) -> tuple[str, bool]:
    """The text to print, with who wore the flash where that is given, and whether every expectation is met."""
    if as_json:
        from simfs.show.json import as_json as shown
    else:
        from simfs.show.text import as_text as shown
    return shown(taken, verdicts, wearers), all(verdict.met for verdict in verdicts)


def check_target(image: str, option: str, source: str) -> None:
    """Refuse, before the work, a file that could not be written after it."""
    if not image:
        raise Refused(f"{option}: the name is empty; name a file to write")
    if os.path.exists(image) and os.path.exists(source) and os.path.samefile(image, source):
        raise Refused(f"{option} {image}: this is the input; name another file")
    directory = os.path.dirname(os.path.realpath(image))
    if os.path.exists(image) and not os.path.isfile(image):
        raise Refused(f"{option} {image}: it is not a regular file; name a file to write")
    if not os.path.isdir(directory):
        raise Refused(f"{option} {image}: there is no directory {directory}; create it first")
    if not os.access(directory, os.W_OK):
        raise Refused(f"{option} {image}: nothing can be written in {directory}; name another place")


def check_targets(targets: dict[str, str | None], source: str) -> None:
    """The same of several, by the option of each; none of them may be another one's."""
    known: dict[str, str] = {}
    for option, path in targets.items():
        if path is None:
            continue
        check_target(path, option, source)
        before = known.setdefault(os.path.realpath(path), option)
        if before != option:
            raise Refused(f"{option} {path}: {before} writes this file; name another one")


def save_image(done: Run, image: str) -> str:
    """Save the flash or the card; of both, the card in a second file, named IMAGE.card. Returns what went wrong, and
    where the image is then; or nothing."""
    from simfs.files.images import TooLarge, images_of
    from simfs.files.store import NoLog

    try:
        contents = images_of(done.store)
    except (NoLog, TooLarge) as error:
        return f"--save-image {image}: {error}; no image was written"
    faults = (_save(f"{image}{ending}", content) for ending, content in contents.items())
    return "; ".join(fault for fault in faults if fault)


def _save(image: str, content: bytes) -> str:
    from simfs.show.save import write_whole

    try:
        write_whole(image, content)
    except OSError as error:
        kept = _kept_elsewhere(content)
        where = f"the image is in {kept} instead" if kept else "no image was written"
        return f"--save-image {image}: {error.strerror}; {where}"
    return ""


def save_stacks(wearers: Wearers, path: str, of: str) -> str:
    """Save who wore the flash for a flame graph. Returns what went wrong, or nothing."""
    from simfs.show.save import write_whole

    lines = "".join(f"{line}\n" for line in wearers.stacks(of_erases=of == "erases"))
    try:
        write_whole(path, lines.encode())
    except OSError as error:
        return f"--stacks {path}: {error.strerror}; nothing was written"
    return ""


def _kept_elsewhere(content: bytes) -> str:
    """The name of a new file with the content, in the directory for temporary files; "" where that fails as well."""
    import tempfile

    try:
        number, path = tempfile.mkstemp(".bin", "simfs-image-")
    except OSError:
        return ""
    try:
        with open(number, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(number)
    except OSError:
        os.unlink(path)
        return ""
    return path
