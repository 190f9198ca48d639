"""Carries out faults that are given as data, and keeps what they leave behind: counts, weak bits, wear."""

from __future__ import annotations

from simfs.flash.datasheet import Datasheet
from simfs.flash.fault_data import Cut, Error, Faults
from simfs.flash.faults import FaultHooks, FlashError, PowerCut
from simfs.flash.geometry import Geometry
from simfs.flash.interrupted import Piece, Profile, left_by, weakened
from simfs.flash.rng import Rng
from simfs.flash.rot import Rotting
from simfs.flash.trace import Change
from simfs.flash.weak import read_anew, still_weak
from simfs.flash.wear import Wear

_WORN_OUT = Error("erase", leaves="rising most")  # how a worn block fails


class Plan(FaultHooks):
    """Faults under way: `NorFlash(faults=Plan(Faults(...)))`. Several flashes of one kind may use it, one after the
    other; it goes on where it was."""

    def __init__(self, faults: Faults) -> None:
        self.faults = faults
        self.weak: list[Piece] = []  # the masks of the bits that are weak now
        self._counts = dict.fromkeys(("operation", "change", "read", "program", "erase"), 0)
        self._cuts = {(cut.of, cut.at): cut for cut in faults.cuts}
        self._errors = [(error, Tally()) for error in faults.errors]
        self._flips = sorted(faults.flips, key=lambda flip: -flip.at)  # the next one last
        self._rot = [Rotting(rot, Rng(faults.seed, "rot", number)) for number, rot in enumerate(faults.rot)]
        self._wear = None if faults.worn is None else Wear(faults.worn, faults.seed)
        self._anew = Rng(faults.seed, "weak")

    def attach(self, geometry: Geometry, datasheet: Datasheet) -> None:
        """ValueError when a fault lies outside the flash."""
        self._geometry, self._datasheet = geometry, datasheet
        faults = self.faults
        for flip in faults.flips:
            if flip.address >= geometry.size_bytes:
                raise ValueError(f"address of a flip must be below {geometry.size_bytes}, not {flip.address}")
        blocks = [error.block for error in faults.errors if error.block is not None]
        blocks += [block for block, _ in faults.worn.limits] if faults.worn else []
        for block in blocks:
            if block >= geometry.block_count:
                raise ValueError(f"block of a fault must be below {geometry.block_count}, not {block}")

    def before_read(self, cells: memoryview, address: int, length: int) -> None:
        fault = self._begin(cells, ("operation", "read"), address, length)
        if self.weak and self.faults.weak == "read":
            end = address + length
            near = [piece for piece in self.weak if piece.address < end and address < piece.address + len(piece.data)]
            read_anew(near, cells, self._anew)
        if self._rot:
            self._rot_at("read", cells[address : address + length])
        if fault is not None:
            raise PowerCut if isinstance(fault, Cut) else FlashError("read", address)

    def before_program(self, cells: memoryview, address: int, data: bytes) -> None:
        fault = self._begin(cells, ("operation", "change", "program"), address, len(data))
        if fault is not None:
            self._interrupt(cells, Change(address, data), fault)
            raise PowerCut if isinstance(fault, Cut) else FlashError("program", address)

    def after_program(self, cells: memoryview, address: int, data: bytes) -> None:
        if self.weak:
            self.weak = still_weak(self.weak, Change(address, data), self._geometry)

    def before_erase(self, cells: memoryview, address: int, length: int) -> None:
        if self._wear is not None:
            self._wear.erase(address // length)
        fault = self._begin(cells, ("operation", "change", "erase"), address, length)
        if fault is not None:
            self._interrupt(cells, Change(address, None), fault)
            raise PowerCut if isinstance(fault, Cut) else FlashError("erase", address)
        if self._wear is not None and self._wear.refuses(address // length):
            self._interrupt(cells, Change(address, None), _WORN_OUT)
            raise FlashError("erase", address)

    def after_erase(self, cells: memoryview, address: int, length: int) -> int:
        if self.weak:
            self.weak = still_weak(self.weak, Change(address, None), self._geometry)
        if self._wear is None:
            return 0
        self._wear.stick(address // length, cells[address : address + length])
        return self._wear.extra_ns(address // length, self._datasheet)

    def power_on(self, cells: memoryview) -> None:
        if self.faults.weak:
            read_anew(self.weak, cells, self._anew)
        self._rot_at("power-on", cells)

    def _begin(self, cells: memoryview, kinds: tuple[str, ...], address: int, length: int) -> Cut | Error | None:
        """Count the operation, flip the bits that are due, and find the fault that it is to have."""
        counts, cut = self._counts, None
        while self._flips and self._flips[-1].at <= counts["operation"]:
            flip = self._flips.pop()
            cells[flip.address] ^= 1 << flip.bit
        for kind in kinds:
            cut = cut or self._cuts.get((kind, counts[kind]))
            counts[kind] += 1
        if not self._errors:
            return cut
        size = self._geometry.block_bytes
        blocks = range(address // size, (address + length - 1) // size + 1)
        due = [error for error, tally in self._errors if tally.due(error, kinds[-1], blocks)]
        return cut or next(iter(due), None)

    def _interrupt(self, cells: memoryview, change: Change, fault: Cut | Error) -> None:
        geometry = self._geometry
        profile = self.faults.profile if isinstance(fault, Cut) else Profile.PROGRAM  # a failure spoils nothing beside
        if self.faults.weak:
            self.weak.append(weakened(change, cells, profile, geometry))
        address, left = left_by(change, cells, fault.leaves, self.faults.seed, profile, geometry)
        cells[address : address + len(left)] = left
        if change.data is None and self._wear is not None:
            self._wear.stick(address // geometry.block_bytes, cells[address : address + len(left)])

    def _rot_at(self, moment: str, cells: memoryview) -> None:
        for rotting in self._rot:
            if rotting.at == moment:
                rotting.pass_over(cells)


class Tally:
    """Counts the operations that an Error is about."""

    def __init__(self) -> None:
        self._count = 0

    def due(self, error: Error, operation: str, blocks: range) -> bool:
        """Count an operation on these blocks if the error is about them. Returns whether it fails."""
        if operation != error.operation or not (error.block is None or error.block in blocks):
            return False
        self._count += 1
        number = self._count - 1
        return number >= error.at if error.for_ever else number == error.at
