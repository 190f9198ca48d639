"""Saves the image of a mount while it serves, so that a killed process leaves one: at each fsync of a directory, and at
intervals."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import Event, Lock, Thread

from simfs.bridges.mount.store import MountedStore
from simfs.files.contract import Mark, Spent
from simfs.files.images import image_of
from simfs.show.save import write_whole

NS_PER_S = 1_000_000_000


class Saving:
    """Saves to `image`, each time the whole flash or card or nothing, and only if it has changed since. `every_ns` is
    the interval; 0: none. What waits in the buffers of open files is on neither, and so not saved. `failed` is
    told why a save at an interval failed, once until one is done again."""

    def __init__(
        self, mounted: MountedStore, image: str, every_ns: int = 0, failed: Callable[[OSError], None] = lambda _: None
    ) -> None:
        self._mounted, self._image, self._every_ns, self._failed = mounted, image, every_ns, failed
        self._store = mounted.store
        self._saved: Mark | None = None
        self._one_at_a_time = Lock()
        self._ended = Event()

    def save(self) -> None:
        """OSError, NoLog, TooLarge, and the image that was there stays. Cost: a copy of the medium, while no call is
        served."""
        with self._one_at_a_time:
            with self._mounted.at_rest():
                now = self._store.medium.mark()
                if self._saved is not None and not self._has_changed(self._saved):
                    return
                content = image_of(self._store)
            write_whole(self._image, content)
            self._saved = now

    def _has_changed(self, since: Mark) -> bool:
        spent = Spent(*self._store.medium.since(since))
        return bool(spent.programs or spent.erases)

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
