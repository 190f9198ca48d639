"""Saves the image of a mount while it serves, so that a killed process leaves one: at each fsync of a directory, and at
intervals."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import Event, Lock, Thread

from simfs.bridges.mount.store import MountedStore
from simfs.files.store import the_log
from simfs.show.save import write_whole

NS_PER_S = 1_000_000_000


class Saving:
    """Saves to `image`, each time the whole flash or nothing, and only if the flash has changed since. `every_ns` is
    the interval; 0: none. What waits in the buffers of open files is not on the flash, and so not saved. `failed` is
    told why a save at an interval failed, once until one is done again. NoLog where the store is not on flash."""

    def __init__(
        self, mounted: MountedStore, image: str, every_ns: int = 0, failed: Callable[[OSError], None] = lambda _: None
    ) -> None:
        self._mounted, self._image, self._every_ns, self._failed = mounted, image, every_ns, failed
        self._flash = the_log(mounted.store).flash
        self._saved = (-1, -1)
        self._one_at_a_time = Lock()
        self._ended = Event()

    def save(self) -> None:
        """OSError, and the image that was there stays. Cost: a copy of the flash, while no call is served."""
        with self._one_at_a_time:
            with self._mounted.at_rest:
                now = self._flash.programs, self._flash.erases
                if now == self._saved:
                    return
                content = self._flash.image()
            write_whole(self._image, content)
            self._saved = now

    @contextmanager
    def at_intervals(self) -> Iterator[None]:
        """Save at each interval while the `with` block lasts."""
        thread = Thread(target=self._save_often, name="saving")
        if self._every_ns:
            thread.start()
        try:
            yield
        finally:
            self._ended.set()
            if self._every_ns:
                thread.join()

    def _save_often(self) -> None:
        signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())  # they end the other thread's loop
        fails = False
        while not self._ended.wait(self._every_ns / NS_PER_S):
            try:
                self.save()
                fails = False
            except OSError as error:
                if not fails:
                    self._failed(error)
                fails = True
