"""A byte-accurate NOR flash: an erase sets every bit of a block, a program within one page only clears bits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Self, TypeVar

from simfs.flash.counts import Counts
from simfs.flash.datasheet import Datasheet
from simfs.flash.faults import FaultHooks, FaultPlan, FlashError, NoPower, PowerCut
from simfs.flash.geometry import LONGEST_QUICK_PAGE, blank_block, blanks
from simfs.flash.late import LateBytes, Make
from simfs.flash.misuse import Event, anded, check_place, check_read, landing, refuse_or_note
from simfs.flash.parts import GENERIC, PARTS, sheet_of
from simfs.flash.trace import OnErase, OnProgram
from simfs.shown import Shown

Bytes = bytes | bytearray | memoryview
T = TypeVar("T")


class NorFlash(Shown):
    """A NOR flash, blank when new.

    What is not given comes from the datasheet (a plain generic one, invented, when none is named); sizes given
    together with a datasheet must agree with it. `strict` refuses what a firmware must not do with a ProgramError;
    otherwise the flash does what the part does and notes an Event. Address or block out of range: ValueError.
    `seed` is kept for whoever draws something random about this flash.

    reads, read_bytes, programs, program_bytes and erases are counted as they happen, one program for each call of
    `program`; `counts` is a snapshot of them. The extra times are of faults only. A program of 60 blank bytes takes
    the host about half a microsecond, a read of 16 a quarter, a snapshot one, a program that is told to a listener or
    is on other than plain serial NOR 1.5.
    """

    __slots__ = (
        "_cells", "_data", "_erase_counts", "_erased", "_faults", "_ff", "_hooks", "_late", "_on_erase", "_on_program",
        "_page_bytes", "_page_programs", "_powered", "_program_end", "_read_end", "_simple_end", "_starts_with",
        "datasheet", "erase_extra_ns", "erases", "event_counts", "events", "geometry", "program_bytes",
        "program_extra_ns", "programs", "read_bytes", "reads", "seed", "strict",
    )  # fmt: skip

    def __init__(
        self, block_count: int = 64, block_bytes: int | None = None, page_bytes: int | None = None, seed: int = 0,
        strict: bool = True, faults: FaultPlan | None = None, *, program_unit_bytes: int | None = None,
        page_programs_max: int | None = None, datasheet: Datasheet | None = None,
    ) -> None:  # fmt: skip
        datasheet = sheet_of(
            block_count, datasheet, block_bytes=block_bytes, page_bytes=page_bytes,
            program_unit_bytes=program_unit_bytes, page_programs_max=page_programs_max,
        )  # fmt: skip
        self._make(datasheet, bytearray(b"\xff") * (block_count * datasheet.block_bytes), seed, strict, faults)

    def _make(self, datasheet: Datasheet, data: bytearray, seed: int, strict: bool, faults: FaultPlan | None) -> None:
        self.geometry = geometry = datasheet.geometry(len(data) // datasheet.block_bytes)
        self.datasheet, self.seed, self.strict, self._faults = datasheet, seed, strict, faults
        self.events: list[Event] = []  # the first EVENTS_KEPT; event_counts has them all
        self.event_counts: dict[str, int] = {}
        self.reads = self.read_bytes = self.programs = self.program_bytes = self.erases = 0
        self.program_extra_ns = self.erase_extra_ns = 0
        self._powered = True
        self._on_program: tuple[OnProgram, ...] = ()
        self._on_erase: tuple[OnErase, ...] = ()
        self._hooks = faults if isinstance(faults, FaultHooks) else None
        if self._hooks is not None:
            self._hooks.attach(geometry, datasheet)
        self._page_bytes, self._erased = geometry.page_bytes, blank_block(geometry.block_bytes)
        self._ff = blanks(min(geometry.page_bytes, LONGEST_QUICK_PAGE))
        self._data, self._cells, self._starts_with = data, memoryview(data), data.startswith
        self._late, self._erase_counts = LateBytes(geometry.block_bytes), [0] * geometry.block_count
        self._page_programs = [0] * (geometry.size_bytes // geometry.page_bytes if geometry.page_programs_max else 0)
        # The quick paths below serve addresses up to these ends; 0 sends every operation the careful way.
        limited = geometry.page_bytes > LONGEST_QUICK_PAGE or geometry.program_unit_bytes > 1 or self._page_programs
        self._read_end = geometry.size_bytes if self._faults is None else 0
        self._program_end = self._simple_end = 0 if limited else self._read_end

    @classmethod
    def part(
        cls, name: str, block_count: int | None = None, seed: int = 0, strict: bool = True,
        faults: FaultPlan | None = None,
    ) -> NorFlash:  # fmt: skip
        """A part of the catalogue, or a window of its first `block_count` blocks. Unknown name: ValueError."""
        if name not in PARTS:
            raise ValueError(f"no part named {name!r}; known are {', '.join(PARTS)}")
        sheet = PARTS[name]
        return cls(sheet.geometry(block_count).block_count, seed=seed, strict=strict, faults=faults, datasheet=sheet)

    @classmethod
    def from_image(
        cls, image: Bytes, block_bytes: int | None = None, page_bytes: int | None = None,
        datasheet: Datasheet | None = None, *, seed: int = 0, strict: bool = True, faults: FaultPlan | None = None,
    ) -> Self:  # fmt: skip
        """A flash that holds `image`, with all counters at zero. ValueError unless it is whole blocks, at least one."""
        size = block_bytes or (datasheet or GENERIC).block_bytes
        if not image or len(image) % size:
            raise ValueError(f"an image must be whole erase blocks of {size} bytes, not {len(image)} bytes")
        datasheet = sheet_of(len(image) // size, datasheet, block_bytes=block_bytes, page_bytes=page_bytes)
        flash = cls.__new__(cls)
        flash._make(datasheet, bytearray(image), seed, strict, faults)
        return flash

    def listen(self, on_program: OnProgram | None = None, on_erase: OnErase | None = None) -> None:
        """From now on tell each program (address, data) and erase (block) when it has been counted, before the cells
        change and even if it then fails. Nothing else costs more for it."""
        self._on_program += (on_program,) if on_program else ()
        self._on_erase += (on_erase,) if on_erase else ()
        self._program_end = 0 if self._on_program else self._program_end

    def read(self, address: int, length: int) -> bytes:
        """The bytes of `length` cells from `address` on."""
        end = address + length
        if self._late:
            self._late.settle(self._cells, address, end)
        if 0 <= address < end <= self._read_end:
            self.reads += 1
            self.read_bytes += length
            return self._cells[address:end].tobytes()
        self._begin_read(address, length)
        return bytes(self._data[address:end])

    def read_joined(self, addresses: Sequence[int], length: int) -> bytes:
        """The same at each of these addresses, one behind the other."""
        if self._late or not 0 <= min(addresses, default=0) <= max(addresses, default=0) <= self._read_end - length:
            return b"".join([self.read(address, length) for address in addresses])
        self.reads, self.read_bytes = self.reads + len(addresses), self.read_bytes + length * len(addresses)
        return b"".join([self._cells[address : address + length] for address in addresses])

    def window(self, address: int, end: int) -> memoryview | None:
        """The cells up to `end` or to late ones, for whoever counts the reads of them; None where each is one alone."""
        end = self._late.settled_to(self._cells, address, end)
        return self._cells[address:end] if 0 <= address < end <= self._read_end else None

    def blank(self, address: int, length: int) -> bool:
        """Whether `length` bytes from `address` are all FFh; counted as a read of them."""
        if self._late:
            self._late.settle(self._cells, address, address + length)
        if 0 <= address < address + length <= self._read_end:
            self.reads += 1
            self.read_bytes += length
            return self._starts_with(self._ff[length] if length < len(self._ff) else blank_block(length), address)
        self._begin_read(address, length)
        return self._starts_with(blank_block(length), address)

    def program(self, address: int, data: Bytes) -> None:
        """One page program: AND `data` into the cells from `address` on, within its page."""
        length = len(data)
        if self._late:
            self._late.settle(self._cells, address, address + length)
        if (
            0 < length <= self._page_bytes - address % self._page_bytes
            and 0 <= address < self._program_end
            and self._starts_with(self._ff[length], address)
        ):
            self._cells[address : address + length] = data
            self.programs += 1
            self.program_bytes += length
        else:
            self._program_carefully(address, bytes(data))

    def erase(self, block: int) -> None:
        """Set every bit of an erase block."""
        if not 0 <= block < len(self._erase_counts):
            raise ValueError(f"block must be from 0 to {self.geometry.block_count - 1}, not {block}")
        address, size = block * len(self._erased), len(self._erased)
        self._need_power()
        self.erases += 1
        self._erase_counts[block] += 1  # before the plan is asked: an erase that is cut wears as well
        for tell in self._on_erase:
            tell(block)
        if self._faults is not None:
            self._ask(self._faults.before_erase, address, size)
        self._cells[address : address + size] = self._erased
        self._late.pop(block, None)
        if self._page_programs:
            pages = size // self._page_bytes
            self._page_programs[block * pages : (block + 1) * pages] = [0] * pages
        if self._hooks is not None:
            self.erase_extra_ns += self._ask(self._hooks.after_erase, address, size)

    def late_at(self, address: int) -> Make | None:
        """What makes the late bytes that begin at an address, for whoever counts the reads of them."""
        return self._late.at(address) if self._late else None

    @property
    def takes_late(self) -> bool:
        """Whether `program_late` may be called: not where each program is told to a fault plan or a listener, nor where
        the part limits the programs of a page."""
        return self._faults is None and not self._on_program and not self._page_programs

    def program_late(self, address: int, end: int, programs: int, program_bytes: int, make: Make) -> None:
        """So many programs of blank cells from `address` to `end`, all in one block; `make` gives the bytes when
        somebody reads them. Nothing is checked: the caller knows that the cells are blank."""
        self.programs, self.program_bytes = self.programs + programs, self.program_bytes + program_bytes
        self._late.add(address, end, make)

    def put(self, address: int, data: bytes) -> None:
        """Put other bytes in the place of some. Not an operation of the chip: for whoever carries a state over."""
        self._late.settle(self._cells, address, address + len(data))
        self._cells[address : address + len(data)] = data

    def copy(self) -> NorFlash:
        """A flash with the same cells and its counters at zero, without a fault plan."""
        copy = NorFlash.from_image(self._data, self.geometry.block_bytes, self.geometry.page_bytes, self.datasheet)
        copy._late.take(self._late)
        return copy

    @property
    def powered(self) -> bool:
        """False from a PowerCut until power_on()."""
        return self._powered

    def power_on(self) -> None:
        """Switch off and on: after a power cut operations work again, and weak bits may read otherwise."""
        self._powered = True
        if self._hooks is not None:
            self._hooks.power_on(self._cells)

    def image(self) -> bytes:
        """All cells; not counted as a read."""
        self._late.settle(self._cells, 0, self.geometry.size_bytes)
        return bytes(self._data)

    @property
    def erase_counts(self) -> list[int]:
        """Erases of each block since this object was made."""
        return self._erase_counts.copy()

    @property
    def counts(self) -> Counts:
        return Counts(
            self.reads, self.read_bytes, self.programs, self.program_bytes, self.erases, self.program_extra_ns,
            self.erase_extra_ns,
        )  # fmt: skip

    @property
    def busy_s(self) -> float:
        """Program and erase at typical times and what they took beyond, s."""
        return self.counts.busy_ns(self.datasheet) / 1e9

    def _need_power(self) -> None:
        if not self._powered:
            raise NoPower("the flash has no power")

    def _ask(self, hook: Callable[[memoryview, int, Any], T], address: int, what: int | bytes) -> T:
        """Put an operation to the fault plan. Its PowerCut holds until power_on(); an operation that fails takes the
        longest time of the datasheet, since the part tries that long (common practice, no source)."""
        try:
            return hook(self._cells, address, what)
        except PowerCut:
            self._powered = False
            raise
        except FlashError as error:
            if error.operation == "program":
                self.program_extra_ns += self.datasheet.program_max_ns - self.datasheet.program_typ_ns
            elif error.operation == "erase":
                self.erase_extra_ns += self.datasheet.erase_max_ns - self.datasheet.erase_typ_ns
            raise

    def _begin_read(self, address: int, length: int) -> None:
        """Check and count a read that the quick path left; one of no bytes does not reach the chip."""
        check_read(address, length, self.geometry)
        self._need_power()
        if length:
            self.reads, self.read_bytes = self.reads + 1, self.read_bytes + length
            if self._faults is not None:
                self._ask(self._faults.before_read, address, length)

    def _program_carefully(self, address: int, data: bytes) -> None:
        """A program that is told, or is not plainly harmless: check it, then do what the part does."""
        length, room = len(data), self._page_bytes - address % self._page_bytes
        if 0 < length <= room and 0 <= address < self._simple_end and self._starts_with(self._ff[length], address):
            self.programs, self.program_bytes = self.programs + 1, self.program_bytes + length
            for tell in self._on_program:
                tell(address, data)
            self._cells[address : address + length] = data
            return
        check_place(address, length, self.geometry)
        self._need_power()
        if not data:
            return  # without data the chip does nothing
        page, at = divmod(address, self._page_bytes)
        self._late.settle(self._cells, address - at, address - at + self._page_bytes)
        blank = at + length < len(self._ff) and self._starts_with(self._ff[length], address)
        pieces, misuse = ([(address, data)], []) if blank else landing(address, data, self._data, self.geometry)
        if self._page_programs and self._page_programs[page] >= self.geometry.page_programs_max:
            misuse.append(Event("page-programs", address))
        refuse_or_note(misuse, address, length, self.strict, self.events, self.event_counts)
        self.programs += 1
        for tell in self._on_program:
            tell(address, data)
        if self._page_programs:
            self._page_programs[page] += 1
        for start, piece in pieces:
            self.program_bytes += len(piece)
            if self._faults is not None:
                self._ask(self._faults.before_program, start, piece)
            old = self._cells[start : start + len(piece)]
            old[:] = piece if blank and self._faults is None else anded(old, piece)
            if self._hooks is not None:
                self._ask(self._hooks.after_program, start, piece)
