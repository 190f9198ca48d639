"""What a run leaves behind: its files, and its erase blocks."""

from __future__ import annotations

from dataclasses import dataclass
from heapq import nsmallest

from simfs.files.store import log_of
from simfs.replay.device.device import Run
from simfs.store.usage import BlockView

FILES_SHOWN = 200


@dataclass(frozen=True, slots=True)
class Aftermath:
    """The largest files with their sizes, how many there are in all, and each block; no blocks where there is no log on
    flash."""

    files: tuple[tuple[str, int], ...]
    file_count: int
    blocks: tuple[BlockView, ...]


def aftermath(run: Run) -> Aftermath:
    """RAM only, a look at every file and every block."""
    names, log = run.store.names(), log_of(run.store)
    sizes = ((name, run.store.stat(name).size_bytes) for name in names)
    largest = nsmallest(FILES_SHOWN, sizes, key=lambda file: (-file[1], file[0]))
    return Aftermath(tuple(largest), len(names), () if log is None else tuple(log.blocks()))
