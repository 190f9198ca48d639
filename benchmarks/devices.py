"""The stores that are measured, and what is done to them."""

from __future__ import annotations

from simfs import NorFlash, Store, StoreConfig

BLOCK_BYTES = 4096
RECORD = b"2031-04-05T06:12:00;+1.234;+11.8;0;ok;\r\n"
FRAME_BYTES = 60  # of such a record in a store: the record and 20 bytes
assert len(RECORD) == 40


def new_store(size_bytes: int, block_bytes: int = BLOCK_BYTES) -> Store:
    """An empty store on a plain flash."""
    return Store.format(NorFlash(size_bytes // block_bytes, block_bytes), StoreConfig(open_files_max=16))


class Rotation:
    """Open-append-close of 40 bytes on a store in its steady state: a new file is begun after so many appends and the
    oldest removed, so that blocks are freed, erased and opened all the time. Live files take about `fill` of the store.
    """

    def __init__(self, store: Store, fill: float = 0.7, appends_a_file: int = 1000) -> None:
        self.store = store
        self.appends_a_file = appends_a_file
        self._keep = max(1, int(store.flash.geometry.size_bytes * fill / (FRAME_BYTES * appends_a_file)))
        self._number = 0
        size = store.flash.geometry.size_bytes
        while store.meters.erases < 2 * len(store.erase_counts) // 10 or store.flash.program_bytes < 1.2 * size:
            self.one_file()

    def one_file(self) -> None:
        """One round: `appends_a_file` appends to a new file, and the oldest file goes."""
        store, name = self.store, f"/log/{self._number:08}.csv"
        for _ in range(self.appends_a_file):
            with store.open(name, "ab") as file:
                file.write(RECORD)
        if self._number >= self._keep:
            store.remove(f"/log/{self._number - self._keep:08}.csv")
        self._number += 1


def append_until_full(store: Store, names: list[str]) -> int:
    """Append records, each a frame of its own, to the files in turn until no dead block is left; how many. The cleaner
    would then join the records block by block into larger frames: it gets no further than the first."""
    files = [store.open(name, "ab") for name in names]
    done = 0
    while not store.meters.cleanings:
        for file in files:
            file.write(RECORD)
            file.flush()
        done += len(files)
    for file in files:
        file.close()
    return done
