"""A store that cleans as the published models do, and the traffic they are made for: whole pages of one file,
overwritten.

One page of a model is one frame on the flash. Blocks are made to measure: exactly P frames fit one, behind its
statement and whatever else stands in it, and what is left over is too little for a piece of another. N of a model
counts the blocks with data, the open one included; the store's reserve comes on top.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from random import Random

from simfs import NorFlash, Store, StoreConfig
from simfs.flash import Geometry
from simfs.store.format.codec import FRAME_BYTES
from simfs.store.format.layout import Layout

PAYLOAD_BYTES = 32
PAGE_BYTES_MAX = 1024
LEFT_OVER_BYTES = 41  # room beside P frames for a NAME frame; it is less than another page needs


@dataclass(frozen=True)
class Tally:
    """Pages since the store was made."""

    host: float
    relocated: float
    cleanings: int

    def __sub__(self, before: Tally) -> Tally:
        return Tally(*(getattr(self, field.name) - getattr(before, field.name) for field in fields(self)))

    @property
    def write_amplification(self) -> float:
        return (self.host + self.relocated) / self.host

    def victim_share(self, block_pages: int) -> float:
        """The live share of cleaned blocks."""
        return self.relocated / (self.cleanings * block_pages)


class PagedStore:
    """`blocks` (N) of `block_pages` (P) each, and a file that is written by pages."""

    def __init__(
        self,
        blocks: int,
        block_pages: int,
        *,
        payload_bytes: int = PAYLOAD_BYTES,
        left_over_bytes: int = LEFT_OVER_BYTES,
        **settings: object,
    ) -> None:
        chosen = {"buffer_bytes": payload_bytes, "name_bytes": 2, "level_threshold": 0} | settings
        config = StoreConfig(**chosen)  # type: ignore[arg-type]
        frame_bytes = FRAME_BYTES + payload_bytes
        layout = Layout(Geometry(8, 4096, 256), config)
        overhead = layout.first + 4096 - layout.seal_at + left_over_bytes
        block_bytes = (overhead + block_pages * frame_bytes + 15) // 16 * 16
        page_max = min(PAGE_BYTES_MAX, block_bytes // 4)  # a statement after a power cut begins on a page of its own
        page_bytes = max(size for size in range(1, page_max + 1) if block_bytes % size == 0)
        self.flash = NorFlash(blocks + config.reserve, block_bytes, page_bytes)
        self.store = Store.format(self.flash, config)
        self.blocks, self.block_pages, self.payload_bytes = blocks, block_pages, payload_bytes
        self.file = self.store.open("d", "w+")
        self.newest: list[int] = []  # which write each page holds
        self._writes = 0

    def take_all(self) -> None:
        """Take N P pages: more than the store's capacity, which leaves out the open block."""
        blocks = self.store._volume.state.blocks
        blocks.capacity = max(blocks.capacity, (self.blocks + 1) * blocks.block_bytes)

    def fill(self, pages: int) -> None:
        """The first write of so many pages more."""
        self.newest += [0] * pages
        self.overwrite(range(len(self.newest) - pages, len(self.newest)))

    def overwrite(self, pages: Iterable[int]) -> None:
        """Write these pages, one after the other."""
        seek, write, newest, size = self.file.seek, self.file.write, self.newest, self.payload_bytes
        number = self._writes
        for page in pages:
            number += 1
            newest[page] = number
            seek(page * size)
            write(number.to_bytes(size, "little"))
        self._writes = number

    def tally(self) -> Tally:
        meters, size = self.store.meters, self.payload_bytes
        return Tally(meters.payload_bytes_programmed / size, meters.relocated_bytes / size, meters.cleanings)

    def measure(self, pages: Iterable[int]) -> Tally:
        """Write these pages; what came of it. Each cleaned block must have held P pages: the set-up is the model's."""
        before = self.tally()
        self.overwrite(pages)
        found = self.tally() - before
        written = found.host + found.relocated
        missing = found.cleanings * self.block_pages - written
        assert abs(missing) <= 2 * self.block_pages + written / 1000, (
            f"{missing} of {written} pages: a block holds not P"
        )
        return found

    def damaged_pages(self) -> list[int]:
        """Pages that do not hold what was written to them last."""
        self.file.seek(0)
        size = self.payload_bytes
        return [
            page for page, number in enumerate(self.newest) if self.file.read(size) != number.to_bytes(size, "little")
        ]


def uniform(pages: int, count: int, seed: int) -> Iterable[int]:
    """`count` pages at random, each of `pages` equally likely."""
    draw = Random(seed).random
    return (int(draw() * pages) for _ in range(count))


def hot_and_cold(pages: int, count: int, seed: int, hot_share: float = 0.1, hot_writes: float = 0.9) -> Iterable[int]:
    """`hot_share` of the pages get `hot_writes` of the writes; hot pages are spread evenly over the file."""
    draw = Random(seed).random
    order = list(range(pages))
    Random(0).shuffle(order)
    hot = round(pages * hot_share)
    for _ in range(count):
        if draw() < hot_writes:
            yield order[int(draw() * hot)]
        else:
            yield order[hot + int(draw() * (pages - hot))]
