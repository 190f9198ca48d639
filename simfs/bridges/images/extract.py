"""Files out of an image onto the host, where the image may come from anyone.

Every file goes right into one new or empty directory, under a spelling of its name that any host can hold. A file is
always created: nothing that is there already is overwritten, and no link is followed. A file that can't be given stays
in the image and is listed with the reason. What ends early is taken back.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Container, Iterable
from dataclasses import dataclass, field
from functools import partial

from simfs.bridges.images.destination import BadDestination, Destination
from simfs.bridges.images.explained import Explained, FileLeft, Progress, contents_left
from simfs.bridges.images.host_names import DAMAGED, SLASH, host_name
from simfs.bridges.images.words import state_of
from simfs.files import Store

_OF_THE_NAME = (errno.EEXIST, errno.EINVAL, errno.EILSEQ, errno.ENAMETOOLONG)  # another spelling may do

__all__ = ["BadDestination", "EndedEarly", "Extraction", "extract", "write_files"]

LeftFile = tuple[str, int, Callable[[], bytes]]  # name in the image, size in bytes, what reads it


class EndedEarly(OSError):
    """The host could not take it all. `left` lists the files that stand; usually there are none."""

    def __init__(self, error: OSError, left: list[str]) -> None:
        super().__init__(error.errno, error.strerror, error.filename)
        self.left = left


@dataclass(slots=True)
class Extraction:
    """`written` has (name in the image, name on the host); `refused` (name in the image, why). Of those written,
    `damaged` lack bytes, and `maybe` may be older or shorter than they were."""

    written: list[tuple[str, str]] = field(default_factory=list)
    refused: list[tuple[str, str]] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    maybe: list[str] = field(default_factory=list)


def extract(
    found: Explained, directory: str | os.PathLike[str], *, damaged: bool = False, progress: Progress | None = None
) -> Extraction:
    """Put all files of a store that mounts into a new or empty directory. All together they may have no more bytes than
    the flash: files that holes make larger are refused. A file of which a byte can't be read is refused too; or, with
    `damaged`, its lost bytes become zeros, and its name on the host ends with `+damaged`. BadDestination, OSError;
    EndedEarly where the host ended it."""
    assert found.store is not None
    left = [
        (file.name, file.size_bytes, partial(_contents, found.store, file, damaged))
        for file in found.files
        if file.size_bytes is not None
    ]
    hurt = {file.name for file in found.files if file.hurt}
    done = write_files(left, directory, len(found.image.data), hurt, progress)
    done.refused += [(file.name, state_of(file)) for file in found.files if file.size_bytes is None]
    older = {file.name for file in found.files if file.maybe and not file.hurt}
    done.maybe = [name for name, _ in done.written if name in older]
    return done


def _contents(store: Store, file: FileLeft, damaged: bool) -> bytes:
    if file.hurt and not damaged:
        raise OSError(errno.EIO, state_of(file))
    return contents_left(store, file)


def write_files(
    files: Iterable[LeftFile],
    directory: str | os.PathLike[str],
    most_bytes: int,
    hurt: Container[str | None] = (),
    progress: Progress | None = None,
) -> Extraction:
    """Create these files in a new or empty directory, `most_bytes` in all; `hurt` has the names of those that are
    marked as damaged. `progress` is called with the files done, and all."""
    files = list(files)
    leading_slash = all(name.startswith("/") for name, _, _ in files)
    done = Extraction()
    target = Destination(os.fspath(directory))
    try:
        with target:
            for number, (name, size_bytes, read) in enumerate(files):
                if progress:
                    progress(number, len(files))
                try:
                    data = _read(size_bytes, read, most_bytes)
                    on_host = _create(target, name, leading_slash, SLASH + DAMAGED if name in hurt else "", data)
                except _Refused as why:
                    done.refused.append((name, str(why)))
                    continue
                most_bytes -= size_bytes
                done.written.append((name, on_host))
                done.damaged += [name] * (name in hurt)
    except OSError as error:
        raise EndedEarly(error, target.left) from error
    return done


class _Refused(Exception):
    """Why a file stays in the image."""


def _read(size_bytes: int, read: Callable[[], bytes], most_bytes: int) -> bytes:
    if size_bytes > most_bytes:
        raise _Refused(f"it has {size_bytes:,} bytes, most of them a hole, and {most_bytes:,} are left to it")
    try:
        return read()
    except OSError as error:
        raise _Refused(error.strerror or "it can't be read") from None


def _create(target: Destination, name: str, leading_slash: bool, mark: str, data: bytes) -> str:
    """The name on the host: the plain spelling, or the other one where the host can't tell that from another file's."""
    spellings = {host_name(name, leading_slash=leading_slash, by_codes=codes) + mark: None for codes in (False, True)}
    for on_host in spellings:
        try:
            target.create(on_host, data)
        except UnicodeEncodeError:  # the host's names are in another encoding
            why = "the host has no such letters"
        except OSError as error:
            if error.errno not in _OF_THE_NAME:  # the host's own trouble ends it all
                raise
            taken = error.errno == errno.EEXIST
            why = "takes its name for that of another file" if taken else f"does not take its name ({error.strerror})"
            why = f'the host {why}, "{on_host}"'
        else:
            return on_host
    raise _Refused(why)
