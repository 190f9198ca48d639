"""Puts a store under a directory of the host (FUSE, through mfusepy) until it is unmounted or a signal comes."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from types import ModuleType
from typing import Any

from simfs.bridges.mount.binding import binding
from simfs.bridges.mount.operations import Operations
from simfs.bridges.mount.saving import Saving
from simfs.bridges.mount.store import Left, MountedStore
from simfs.files.contract import AnyStore
from simfs.replay.device.device import Run

ERROR_OUTPUT = 2  # the descriptor that libfuse writes to


class CannotMount(Exception):
    """There can be no mount. The text says why, and what would be right, in one line."""


def check_directory(directory: str) -> None:
    """Refuse a wrong mount point: it must be an empty directory with nothing mounted on it."""
    try:
        found = os.listdir(directory)
    except FileNotFoundError:
        raise CannotMount(f"{directory}: there is no such directory; create it first") from None
    except NotADirectoryError:
        raise CannotMount(f"{directory}: it is not a directory; name an empty one") from None
    except OSError as error:  # also what a mount leaves whose process was killed
        raise CannotMount(f"{directory}: {error.strerror}; if a mount was left there, fusermount3 -u it") from None
    if os.path.ismount(directory):
        raise CannotMount(f"{directory}: something is mounted there already; unmount it or name another directory")
    if found:
        raise CannotMount(f"{directory}: it is not empty; name an empty directory")


def load_library() -> ModuleType:
    """mfusepy on libfuse 3."""
    os.environ.setdefault("FUSE_LIBRARY_NAME", "fuse3")
    try:
        import mfusepy
    except ImportError:
        raise CannotMount("mounting needs mfusepy; install it with pip install 'simfs[mount]'") from None
    except (OSError, AttributeError):
        raise CannotMount("mounting needs libfuse 3; on Debian install it with apt-get install -y fuse3") from None
    if not os.path.exists("/dev/fuse"):
        raise CannotMount("mounting needs /dev/fuse, and this kernel has none; load its module with modprobe fuse")
    library: ModuleType = mfusepy
    return library


def mount(
    store: AnyStore,
    directory: str,
    *,
    title: str,
    source: str,
    read_only: bool = False,
    saving: Callable[[MountedStore], Saving] | None = None,
    ready: Callable[[], None] = lambda: None,
) -> tuple[Run, Left]:
    """Serve the store until it is unmounted or SIGINT, SIGTERM or SIGHUP comes: the notes of the run, and what ends
    with the mount. `saving` makes what saves the image until then. `ready` is called once the directory can be used.

    CannotMount, CannotShow. One call is served after the other.
    """
    check_directory(directory)
    mounted = MountedStore(store, (os.getuid(), os.getgid()))
    library = load_library()
    saves = saving(mounted) if saving else None
    operations = Operations(mounted, library.fuse_get_context, saves.save if saves else lambda: None)
    serving = False

    with _quiet() as (said, speak):

        def init(_path: str) -> None:
            nonlocal serving
            serving = True
            speak()
            ready()

        operations.init = init  # type: ignore[attr-defined]
        try:
            with saves.at_intervals() if saves else nullcontext():
                _serve(library, operations, directory, read_only)
        except RuntimeError:  # libfuse's exit code: a signal, too, is one
            if not serving:
                raise CannotMount(f"{directory}: it can't be mounted: {said() or 'libfuse does not say why'}") from None
    operations.close_all()
    return mounted.finish(title, source)


def _serve(library: ModuleType, operations: Operations, directory: str, read_only: bool) -> None:
    options: dict[str, Any] = {"use_ino": True, "fsname": "simfs", "subtype": "simfs", "ro": read_only}
    options["default_permissions"] = True  # the kernel asks modes and owners
    if operations.mounted.aliases:  # the kernel must ask anew for each name
        options |= {"attr_timeout": 0.0, "entry_timeout": 0.0}
    binding(library)(operations, os.path.abspath(directory), foreground=True, nothreads=True, **options)


@contextmanager
def _quiet() -> Iterator[tuple[Callable[[], str], Callable[[], None]]]:
    """Catch what libfuse writes while it sets up. Yields a function that gives its first line, and one that ends
    this."""
    with tempfile.TemporaryFile() as kept:
        usual = os.dup(ERROR_OUTPUT)
        os.dup2(kept.fileno(), ERROR_OUTPUT)

        def said() -> str:
            kept.seek(0)
            lines = kept.read().decode(errors="backslashreplace").splitlines()
            return lines[0] if lines else ""

        def speak() -> None:
            os.dup2(usual, ERROR_OUTPUT)

        try:
            yield said, speak
        finally:
            speak()
            os.close(usual)
