"""Files out of an image onto the host, where the image may come from anyone.

Every file goes right into one new or empty directory, under a name of letters, digits and a few signs that no host
takes for anything else. A file is always created: nothing that is there already is overwritten, and no link is
followed. A file with another name stays in the image and is listed with the reason.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Callable, Container, Iterable
from dataclasses import dataclass, field
from functools import partial

from simfs.bridges.images.explained import Explained, FileLeft, contents_left
from simfs.bridges.images.words import state_of
from simfs.files import Store

DAMAGED = "damaged"
SLASH = "+"  # stands for a slash inside a name; no name that is taken has it
_PART = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_. ()=,@-]*", re.ASCII)
_DEVICES = re.compile(
    r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.ASCII | re.IGNORECASE
)  # of some hosts, in any directory
_NAME_MAX = 200


class BadDestination(Exception):
    """Files can't safely be put into this directory; one line."""


@dataclass(slots=True)
class Extraction:
    """`written` has (name in the image, name on the host); `refused` (name in the image, why). Of those written,
    `damaged` lack bytes, and `maybe` may be older or shorter than they were."""

    written: list[tuple[str, str]] = field(default_factory=list)
    refused: list[tuple[str, str]] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    maybe: list[str] = field(default_factory=list)


def host_name(name: str) -> str:
    """The name that a file gets on the host: without the slash at its beginning, and with each other slash as `+`.
    ValueError says why it can't have one."""
    parts = name.removeprefix("/").split("/")
    for part in parts:
        if not part:
            raise ValueError("an empty part of it is not a file name")
        if not _PART.fullmatch(part):
            strange = next((sign for sign in part if not _PART.fullmatch("a" + sign)), part[0])
            raise ValueError(f"{strange!a} in it may mean something to the host")
        if part[-1] in ". ":
            raise ValueError("a part of it ends with a point or a blank")
        if _DEVICES.match(part):
            raise ValueError(f'"{part}" is a device of some hosts')
    whole = SLASH.join(parts)
    if len(whole) > _NAME_MAX:
        raise ValueError(f"it has {len(whole)} signs, {_NAME_MAX} are taken")
    return whole


def extract(found: Explained, directory: str | os.PathLike[str], *, damaged: bool = False) -> Extraction:
    """Put all files of a store that mounts into a new or empty directory. All together they may have no more bytes than
    the flash: files that holes make larger are refused. A file of which a byte can't be read is refused too; or, with
    `damaged`, its lost bytes become zeros, and its name on the host ends with `+damaged`. BadDestination, OSError."""
    assert found.store is not None
    left = [
        (file.name, file.size_bytes, partial(_contents, found.store, file, damaged))
        for file in found.files
        if file.size_bytes is not None
    ]
    hurt = {file.name for file in found.files if file.hurt}
    done = write_files(left, directory, len(found.image.data), hurt)
    done.refused += [(file.name, state_of(file)) for file in found.files if file.size_bytes is None]
    older = {file.name for file in found.files if file.maybe and not file.hurt}
    done.maybe = [name for name, _ in done.written if name in older]
    return done


def _contents(store: Store, file: FileLeft, damaged: bool) -> bytes:
    if file.hurt and not damaged:
        raise OSError(errno.EIO, state_of(file))
    return contents_left(store, file)


def write_files(
    files: Iterable[tuple[str, int, Callable[[], bytes]]],
    directory: str | os.PathLike[str],
    most_bytes: int,
    hurt: Container[str | None] = (),
) -> Extraction:
    """Create these files (name in the image, size, what reads it) in a new or empty directory, `most_bytes` in all;
    `hurt` has the names of those that are marked as damaged."""
    target = _empty_directory(os.fspath(directory))
    done = Extraction()
    for name, size_bytes, read in files:
        try:
            on_host = host_name(name) + (SLASH + DAMAGED) * (name in hurt)
            if size_bytes > most_bytes:
                raise ValueError(f"it has {size_bytes:,} bytes, most of them a hole, and {most_bytes:,} are left to it")
            _create(os.path.join(target, on_host), read())
        except FileExistsError:
            done.refused.append((name, f'the host takes its name for that of another file, "{on_host}"'))
        except ValueError as error:
            done.refused.append((name, str(error)))
        except OSError as error:
            if error.errno != errno.EIO:  # the host's own trouble ends it all
                raise
            done.refused.append((name, error.strerror or "it can't be read"))
        else:
            most_bytes -= size_bytes
            done.written.append((name, on_host))
            done.damaged += [name] * (name in hurt)
    return done


def _empty_directory(path: str) -> str:
    """The path of a directory that is there now and has nothing in it."""
    try:
        os.mkdir(path)
    except FileExistsError:
        if os.path.islink(path) or not os.path.isdir(path):
            raise BadDestination(f"{path}: it is not a directory; give one that is empty, or a new name") from None
        if os.listdir(path):
            raise BadDestination(f"{path}: it is not empty; give an empty directory, or a new name") from None
    return os.path.realpath(path)


def _create(path: str, data: bytes) -> None:
    """A new file, whole or not at all."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    with open(os.open(path, flags, 0o644), "wb") as file:
        try:
            file.write(data)
            file.flush()
        except BaseException:
            os.unlink(path)
            raise
