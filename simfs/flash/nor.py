"""A byte-accurate NOR flash: an erase sets every bit of a block, a program within one page only clears bits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, NamedTuple, cast

from simfs.flash.counts import Counts
from simfs.flash.datasheet import Datasheet
from simfs.flash.faults import FaultPlan, PowerCut
from simfs.flash.parts import GENERIC, PARTS

EVENTS_KEPT = 1000
Bytes = bytes | bytearray | memoryview


class ProgramError(ValueError):
    """A program that a firmware must not ask for: strict mode refuses it, and nothing has changed."""


_MISUSE = {
    "set-bit": "only an erase can set a bit",
    "page-end": "data goes past the page end, programmed",
    "unit-again": "a program unit can be programmed once between erases, not again",
    "page-programs": "the page has had all the programs that it allows between erases",
}


class Event(NamedTuple):
    """What a part did with a program that strict mode would have refused.

    kind: "set-bit" (old AND new kept), "page-end" (wrapped to the page start), "unit-again" (a program unit
    programmed twice between erases), "page-programs" (more programs of a page than it allows).
    """

    kind: str
    address: int


def _both(old: Bytes, new: bytes) -> bytes:
    """old AND new, of equal length."""
    return (int.from_bytes(old, "little") & int.from_bytes(new, "little")).to_bytes(len(new), "little")


def _generic(block_count: int, sizes: dict[str, int]) -> Datasheet:
    block_bytes = sizes.get("block_bytes", GENERIC.block_bytes)
    return replace(GENERIC, size_bytes=block_count * block_bytes, **cast(dict[str, Any], sizes))


def _agreeing(datasheet: Datasheet, sizes: dict[str, int]) -> Datasheet:
    for field, value in sizes.items():
        if value != getattr(datasheet, field):
            raise ValueError(f"{field} is {getattr(datasheet, field)} on {datasheet.name}, not {value}")
    return datasheet


class NorFlash:
    """A NOR flash, blank when new.

    What is not given comes from the datasheet (a plain generic one, invented, when none is named); sizes given
    together with a datasheet must agree with it. `strict` refuses what a firmware must not do with a ProgramError;
    otherwise the flash does what the part does and notes an Event. Address or block out of range: ValueError.

    reads, read_bytes, programs, program_bytes and erases are counted as they happen, one program for each call
    of `program`. A program of 60 bytes takes the host about half a microsecond, a read of 16 a quarter.
    """

    __slots__ = (
        "_cells", "_data", "_erase_counts", "_erased", "_ff", "_page_bytes", "_page_programs", "_powered",
        "_program_end", "_read_end", "_starts_with", "datasheet", "erases", "event_counts", "events", "faults",
        "geometry", "program_bytes", "programs", "read_bytes", "reads", "seed", "strict",
    )  # fmt: skip

    def __init__(
        self,
        block_count: int = 64,
        block_bytes: int | None = None,
        page_bytes: int | None = None,
        seed: int = 0,
        strict: bool = True,
        faults: FaultPlan | None = None,
        *,
        program_unit_bytes: int | None = None,
        page_programs_max: int | None = None,
        datasheet: Datasheet | None = None,
    ) -> None:
        sizes = {
            "block_bytes": block_bytes,
            "page_bytes": page_bytes,
            "program_unit_bytes": program_unit_bytes,
            "page_programs_max": page_programs_max,
        }
        given = {field: value for field, value in sizes.items() if value is not None}
        datasheet = _generic(block_count, given) if datasheet is None else _agreeing(datasheet, given)
        geometry = datasheet.geometry(block_count)
        self.geometry, self.datasheet = geometry, datasheet
        self.seed, self.strict, self.faults = seed, strict, faults
        self.events: list[Event] = []  # the first EVENTS_KEPT; event_counts has them all
        self.event_counts: dict[str, int] = {}
        self.reads = self.read_bytes = self.programs = self.program_bytes = self.erases = 0
        self._powered = True
        self._page_bytes = geometry.page_bytes
        self._ff = tuple(b"\xff" * length for length in range(geometry.page_bytes + 1))
        self._erased = b"\xff" * geometry.block_bytes
        self._data = bytearray(b"\xff") * geometry.size_bytes
        self._cells = memoryview(self._data)
        self._starts_with = self._data.startswith
        self._erase_counts = [0] * geometry.block_count
        pages = geometry.size_bytes // geometry.page_bytes if geometry.page_programs_max else 0
        self._page_programs = [0] * pages
        # The quick paths below serve addresses up to these ends; 0 sends every operation the careful way.
        simple = geometry.program_unit_bytes == 1 and not geometry.page_programs_max
        self._read_end = 0 if faults is not None else geometry.size_bytes
        self._program_end = geometry.size_bytes if simple and faults is None else 0

    @classmethod
    def part(
        cls,
        name: str,
        block_count: int | None = None,
        seed: int = 0,
        strict: bool = True,
        faults: FaultPlan | None = None,
    ) -> NorFlash:
        """A part of the catalogue, or a window of its first `block_count` blocks. Unknown name: ValueError."""
        if name not in PARTS:
            raise ValueError(f"no part named {name!r}; known are {', '.join(PARTS)}")
        sheet = PARTS[name]
        count = sheet.geometry(block_count).block_count
        return cls(count, seed=seed, strict=strict, faults=faults, datasheet=sheet)

    @classmethod
    def from_image(
        cls,
        image: Bytes,
        block_bytes: int | None = None,
        page_bytes: int | None = None,
        datasheet: Datasheet | None = None,
        *,
        seed: int = 0,
        strict: bool = True,
        faults: FaultPlan | None = None,
    ) -> NorFlash:
        """A flash that holds `image`, with all counters at zero. ValueError unless it is whole blocks, at least one."""
        size = block_bytes or (datasheet or GENERIC).block_bytes
        if not image or len(image) % size:
            raise ValueError(f"an image must be whole erase blocks of {size} bytes, not {len(image)} bytes")
        flash = cls(len(image) // size, block_bytes, page_bytes, seed, strict, faults, datasheet=datasheet)
        flash._data[:] = image
        return flash

    def read(self, address: int, length: int) -> bytes:
        end = address + length
        if 0 <= address < end <= self._read_end:
            self.reads += 1
            self.read_bytes += length
            return self._cells[address:end].tobytes()
        self._begin_read(address, length)
        return bytes(self._data[address:end])

    def blank(self, address: int, length: int) -> bool:
        """Whether `length` bytes from `address` are all FFh; counted as a read of them."""
        if length <= self._page_bytes and 0 <= address < address + length <= self._read_end:
            self.reads += 1
            self.read_bytes += length
            return self._starts_with(self._ff[length], address)
        self._begin_read(address, length)
        return self._data.count(0xFF, address, address + length) == length

    def program(self, address: int, data: Bytes) -> None:
        """One page program: AND `data` into the cells from `address` on, within its page."""
        length = len(data)
        room = self._page_bytes - address % self._page_bytes
        if 0 < length <= room and 0 <= address < self._program_end and self._starts_with(self._ff[length], address):
            self._data[address : address + length] = data
            self.programs += 1
            self.program_bytes += length
        else:
            self._program_carefully(address, bytes(data))

    def erase(self, block: int) -> None:
        """Set every bit of an erase block."""
        size = self.geometry.block_bytes
        if not 0 <= block < self.geometry.block_count:
            raise ValueError(f"block must be from 0 to {self.geometry.block_count - 1}, not {block}")
        address = block * size
        self._need_power()
        self.erases += 1
        self._erase_counts[block] += 1
        if self.faults is not None:
            self._ask(self.faults.before_erase, address, size)
        self._data[address : address + size] = self._erased
        if self._page_programs:
            pages = size // self._page_bytes
            self._page_programs[block * pages : (block + 1) * pages] = [0] * pages

    def power_on(self) -> None:
        """End a power cut: operations work again."""
        self._powered = True

    def image(self) -> bytes:
        """All cells; not counted as a read."""
        return bytes(self._data)

    @property
    def erase_counts(self) -> list[int]:
        """Erases of each block since this object was made."""
        return self._erase_counts.copy()

    @property
    def counts(self) -> Counts:
        return Counts(self.reads, self.read_bytes, self.programs, self.program_bytes, self.erases)

    @property
    def busy_s(self) -> float:
        """Program and erase at typical times, s."""
        return self.counts.busy_ns(self.datasheet) / 1e9

    def _need_power(self) -> None:
        if not self._powered:
            raise PowerCut("the flash has no power")

    def _ask(self, before: Callable[[memoryview, int, Any], None], address: int, what: int | bytes) -> None:
        """Put an operation to the fault plan; its PowerCut holds until power_on()."""
        try:
            before(self._cells, address, what)
        except PowerCut:
            self._powered = False
            raise

    def _begin_read(self, address: int, length: int) -> None:
        """Check and count a read that the quick path left; one of no bytes does not reach the chip."""
        size = self.geometry.size_bytes
        if length < 0 or not 0 <= address <= size - length:
            raise ValueError(f"a read must lie within 0 to {size}, not {length} bytes from {address}")
        self._need_power()
        if length:
            self.reads += 1
            self.read_bytes += length
            if self.faults is not None:
                self._ask(self.faults.before_read, address, length)

    def _program_carefully(self, address: int, data: bytes) -> None:
        """A program that is not plainly harmless: check it, then do what the part does."""
        unit = self.geometry.program_unit_bytes
        if not 0 <= address < self.geometry.size_bytes:
            raise ValueError(f"address must be from 0 to {self.geometry.size_bytes - 1}, not {address}")
        if address % unit or len(data) % unit:
            raise ValueError(f"address and length must be multiples of {unit}, not {len(data)} bytes from {address}")
        self._need_power()
        if not data:
            return  # without data the chip does nothing
        pieces = self._wrapped(address, data)
        faults = [event for piece in pieces for event in self._misuse(*piece)]
        if len(data) > self._page_bytes - address % self._page_bytes:
            faults.append(Event("page-end", address))
        page = address // self._page_bytes
        if self._page_programs and self._page_programs[page] >= self.geometry.page_programs_max:
            faults.append(Event("page-programs", address))
        if faults:
            self._refuse_or_note(faults, address, len(data))
        self.programs += 1
        self.program_bytes += sum(len(piece) for _, piece in pieces)
        if self._page_programs:
            self._page_programs[page] += 1
        for start, piece in pieces:
            if self.faults is not None:
                self._ask(self.faults.before_program, start, piece)
            self._data[start : start + len(piece)] = _both(self._cells[start : start + len(piece)], piece)

    def _wrapped(self, address: int, data: bytes) -> list[tuple[int, bytes]]:
        """Where the bytes land: past the page end they go on at its start, and the last page's worth stays."""
        size = self._page_bytes
        kept = data[-size:]
        first = address - address % size
        start = (address + len(data) - len(kept)) % size
        pieces = [(first + start, kept[: size - start]), (first, kept[size - start :])]
        return [piece for piece in pieces if piece[1]]

    def _misuse(self, address: int, data: bytes) -> list[Event]:
        """What is wrong with these bytes on these cells: a program unit not blank, or else a bit that would be set."""
        old = self._data[address : address + len(data)]
        unit = self.geometry.program_unit_bytes
        if unit > 1:
            used = (at for at in range(0, len(data), unit) if not old.startswith(self._ff[unit], at))
            return [Event("unit-again", address + at) for at in used]
        if _both(old, data) == data:
            return []
        return [Event("set-bit", address + next(at for at, new in enumerate(data) if old[at] & new != new))]

    def _refuse_or_note(self, faults: list[Event], address: int, length: int) -> None:
        if self.strict:
            what = "; ".join(f"{_MISUSE[kind]} at {at}" for kind, at in faults)
            raise ProgramError(f"program of {length} bytes at {address}: {what}")
        for event in faults:
            self.event_counts[event.kind] = self.event_counts.get(event.kind, 0) + 1
        self.events += faults[: EVENTS_KEPT - len(self.events)]
