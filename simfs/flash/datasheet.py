"""What a part's datasheet promises: sizes, times, currents, rated life."""

from __future__ import annotations

from dataclasses import dataclass, fields

from simfs.flash.geometry import Geometry

_NO_FIGURES = ("name", "source", "sizes_bytes", "apart", "serial", "built_in")


@dataclass(frozen=True, slots=True)
class Datasheet:
    """Integers throughout, so that a sum never depends on its order: times in ns, currents in micro-amperes,
    the supply in mV. `source` says where the values are from; `apart` lists fields that are from elsewhere, each with
    its source. A part is `serial`, or `built_in` in a microcontroller, or both.

    A program time is that of one page program, however few its bytes; an erase time is that of one erase block.
    A read takes `read_overhead_ns` (command and address) and `read_byte_ns` for each byte, on one data line.
    `sizes_bytes` lists the sizes that a part comes in, and `size_bytes` is one of them; a part of one size has none.
    Raises ValueError naming the field that makes no sense.
    """

    name: str
    source: str
    size_bytes: int
    block_bytes: int
    page_bytes: int
    program_typ_ns: int
    program_max_ns: int
    erase_typ_ns: int
    erase_max_ns: int
    read_byte_ns: int
    program_ua: int
    erase_ua: int
    read_ua: int
    standby_ua: int
    supply_mv: int
    rated_cycles: int
    retention_years: int  # 0: the datasheet does not say
    read_overhead_ns: int = 0
    program_unit_bytes: int = 1
    page_programs_max: int = 0
    sizes_bytes: tuple[int, ...] = ()
    apart: tuple[tuple[str, str], ...] = ()
    serial: bool = True
    built_in: bool = False

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name not in _NO_FIGURES and (not isinstance(value, int) or value < 0):
                raise ValueError(f"{field.name} must be an integer of 0 or more, not {value!r}")
        if self.rated_cycles < 1:
            raise ValueError(f"rated_cycles must be at least 1, not {self.rated_cycles}")
        for work in ("program", "erase"):
            typical, longest = getattr(self, f"{work}_typ_ns"), getattr(self, f"{work}_max_ns")
            if typical > longest:
                raise ValueError(f"{work}_typ_ns ({typical}) must not be above {work}_max_ns ({longest})")
        geometry = self.geometry()
        if geometry.size_bytes != self.size_bytes:
            raise ValueError(
                f"size_bytes ({self.size_bytes}) must be a multiple of block_bytes ({self.block_bytes}), at least one"
            )

    def geometry(self, block_count: int | None = None) -> Geometry:
        """The geometry of the whole part, or of its first `block_count` erase blocks."""
        whole = max(1, self.size_bytes // max(1, self.block_bytes))
        if block_count is not None and block_count > whole:
            raise ValueError(f"block_count must be at most {whole} on {self.name}, not {block_count}")
        return Geometry(
            whole if block_count is None else block_count,
            self.block_bytes,
            self.page_bytes,
            self.program_unit_bytes,
            self.page_programs_max,
        )

    def sources(self) -> dict[str, str]:
        """The source of each figure, by the name of its field."""
        return {field.name: self.source for field in fields(self) if field.name not in _NO_FIGURES} | dict(self.apart)

    def agreeing(self, sizes: dict[str, int]) -> Datasheet:
        """This datasheet. ValueError unless it has these sizes, given by its own field names."""
        for field, value in sizes.items():
            if value != getattr(self, field):
                raise ValueError(f"{field} is {getattr(self, field)} on {self.name}, not {value}")
        return self
