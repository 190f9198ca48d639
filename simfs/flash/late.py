"""A flash that is told of programs now and makes their bytes when somebody reads them, or never, where an erase comes
first."""

from __future__ import annotations

from collections.abc import Callable

from simfs.flash.datasheet import Datasheet
from simfs.flash.faults import FaultPlan
from simfs.flash.geometry import Geometry
from simfs.flash.nor import NorFlash

Make = Callable[[], bytes]


class LateFlash(NorFlash):
    """A `NorFlash` whose every read, count and image is as if each program had been carried out when it was told."""

    __slots__ = ("_late",)

    def _make(
        self,
        geometry: Geometry,
        datasheet: Datasheet,
        data: bytearray,
        seed: int,
        strict: bool,
        faults: FaultPlan | None,
    ) -> None:
        super()._make(geometry, datasheet, data, seed, strict, faults)
        self._late: dict[int, list[tuple[int, int, Make]]] = {}  # by block: first address, end, the bytes

    @classmethod
    def copy_of(cls, flash: NorFlash) -> LateFlash:
        """A flash of the same cells, its counters at zero; what is late in the other is late in it too."""
        geometry = flash.geometry
        copy = cls.from_image(
            flash._data if isinstance(flash, LateFlash) else flash.image(),
            block_bytes=geometry.block_bytes,
            page_bytes=geometry.page_bytes,
            datasheet=flash.datasheet,
        )
        if isinstance(flash, LateFlash):
            copy._late = {block: late.copy() for block, late in flash._late.items()}
        return copy

    @property
    def takes_late(self) -> bool:
        """Whether programs may come late: not where each is told to a fault plan or a listener, nor without power."""
        return self._faults is None and self._powered and not self._on_program

    def program_late(self, address: int, end: int, programs: int, program_bytes: int, make: Make) -> None:
        """Count these programs of blank cells from `address` to `end`, all in one block; `make` gives the bytes.

        Nothing is checked: the caller knows that the cells are blank, and how many programs the bytes take.
        """
        self.programs += programs
        self.program_bytes += program_bytes
        block = address // self.geometry.block_bytes
        late = self._late.get(block)
        if late is None:
            self._late[block] = [(address, end, make)]
        else:
            late.append((address, end, make))

    def peek(self, address: int, length: int) -> bytes:
        """The bytes there, not counted as a read: for whoever knows already what they say."""
        self._catch_up(address, address + length)
        return bytes(self._cells[address : address + length])

    def put(self, address: int, data: bytes) -> None:
        """Put other bytes in the place of some. Not an operation of the chip: for whoever carries a state over."""
        self._catch_up(address, address + len(data))
        self._cells[address : address + len(data)] = data

    def read(self, address: int, length: int) -> bytes:
        if self._late:
            self._catch_up(address, address + length)
        return super().read(address, length)

    def blank(self, address: int, length: int) -> bool:
        if self._late:
            self._catch_up(address, address + length)
        return super().blank(address, length)

    def erase(self, block: int) -> None:
        NorFlash.erase(self, block)
        self._late.pop(block, None)

    def image(self) -> bytes:
        self._catch_up(0, self.geometry.size_bytes)
        return super().image()

    def _catch_up(self, address: int, end: int) -> None:
        """Make what is late of the blocks that hold these addresses, where it touches them."""
        size = self.geometry.block_bytes
        first, last = address // size, (end - 1) // size
        blocks = [first] if first == last else [block for block in self._late if first <= block <= last]
        for block in blocks:
            late = self._late.get(block, ())
            wanted = [entry for entry in late if entry[0] < end and address < entry[1]]
            for start, stop, make in wanted:
                self._cells[start:stop] = make()
            if len(wanted) == len(late):
                self._late.pop(block, None)
            elif wanted:
                self._late[block] = [entry for entry in late if entry not in wanted]
