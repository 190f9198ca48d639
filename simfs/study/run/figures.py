"""The figures of a run, and what each counts. All fields are integers (bytes, ns, nJ); only properties are floats."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.files.contract import Settings
from simfs.replay.device.notes import Differing, NameFault, Refusal, Skipped
from simfs.study.run.battery_life import BatteryLife
from simfs.study.run.both_work import BothWork
from simfs.study.run.card_work import CardWork
from simfs.study.run.device_figures import Boots, Stalls
from simfs.study.run.energy import Energy
from simfs.study.run.life_projection import Life
from simfs.study.run.region_wear import RegionWear, first_worn


@dataclass(frozen=True, slots=True)
class Subject:
    """What ran, and on what: the part of the medium, its blocks (none where they are 0 bytes), what one program writes
    at most, and the settings of the store."""

    title: str
    source: str
    kind: str
    start_ns: int  # of the device's clock, which begins with the year 1
    duration_ns: int
    operations: int
    part: str
    block_count: int
    block_bytes: int
    region_start_bytes: int  # where the store begins in the chip
    page_bytes: int
    settings: Settings


@dataclass(frozen=True, slots=True)
class Room:
    """Bytes of the store. Live is what files and names cost, headers included; capacity is the most that it can be."""

    capacity_bytes: int
    live_bytes: int
    live_max_bytes: int
    live_max_at_ns: int
    dead_bytes: int
    blank_bytes: int

    @property
    def live_percent(self) -> float:
        return 100 * self.live_bytes / self.capacity_bytes

    @property
    def live_max_percent(self) -> float:
        return 100 * self.live_max_bytes / self.capacity_bytes


@dataclass(frozen=True, slots=True)
class Amplification:
    """Bytes programmed, split by why, and bytes erased.

    Data: the device's bytes, once. Relocated: file bytes moved by the cleaner. Metadata: the rest, which is frame
    headers, checksums, names and block records, also those that relocation takes.
    """

    host_bytes: int
    data_bytes: int
    metadata_bytes: int
    relocated_bytes: int
    erased_bytes: int

    @property
    def programmed_bytes(self) -> int:
        return self.data_bytes + self.metadata_bytes + self.relocated_bytes

    @property
    def total_ratio(self) -> float | None:
        return self.of_host(self.programmed_bytes)

    @property
    def data_ratio(self) -> float | None:
        return self.of_host(self.data_bytes)

    @property
    def metadata_ratio(self) -> float | None:
        return self.of_host(self.metadata_bytes)

    @property
    def relocation_ratio(self) -> float | None:
        return self.of_host(self.relocated_bytes)

    @property
    def erased_ratio(self) -> float | None:
        return self.of_host(self.erased_bytes)

    def of_host(self, count_bytes: int) -> float | None:
        """`count_bytes` for each byte the device wrote; None when it wrote none."""
        return count_bytes / self.host_bytes if self.host_bytes else None


@dataclass(frozen=True, slots=True)
class FlashWork:
    """What the medium did in the run, and the least that any store must do for the same bytes."""

    reads: int
    read_bytes: int
    programs: int
    program_bytes: int
    erases: int
    programs_floor: int
    blocks_floor: int
    busy_ns: int
    read_ns: int


@dataclass(frozen=True, slots=True)
class Wear:
    """Erase counts of the blocks, since they were new."""

    erase_counts: tuple[int, ...]
    erases_in_run: tuple[int, ...]
    min_erases: int
    max_erases: int
    total_erases: int
    hottest_block: int
    coldest_block: int

    @property
    def mean_erases(self) -> float:
        return self.total_erases / len(self.erase_counts)


@dataclass(frozen=True, slots=True)
class TaskShare:
    """One task's part in the run; cleaning counts for the task whose operation had to wait for it."""

    name: str
    operations: int
    refused: int
    lost_records: int
    waiting_records: int
    host_bytes: int
    read_bytes: int
    programs: int
    program_bytes: int
    erases: int
    busy_ns: int
    by_operation: dict[str, int]


@dataclass(frozen=True, slots=True)
class Trouble:
    """What went wrong, and what the recording could not carry.

    lost_records     gathered in the firmware's own RAM, and lost at a boot
    waiting_records  gathered there when the run ended, not lost
    late_ns          how long after the end of the run the work was done that was due in it
    shut             why the next mount finds a store that can't be written; "" if it can
    """

    refusals: tuple[Refusal, ...]
    name_faults: tuple[NameFault, ...]
    names_cut: int
    lost_records: int
    waiting_records: int
    late_ns: int
    shut: str
    skipped: tuple[Skipped, ...]
    differing: tuple[Differing, ...]  # files

    @property
    def refused_operations(self) -> int:
        return sum(refusal.count for refusal in self.refusals)

    @property
    def skipped_lines(self) -> int:
        return sum(skipped.count for skipped in self.skipped)


@dataclass(frozen=True, slots=True)
class Outlook:
    """Times are device time since the start of the run, at typical times; None is what nobody knows.

    full_ns          when the store has no room any more for what is to be written; None: not at this pace
    is_projected     whether `full_ns` is taken from the pace at which the files grow, and not seen
    grows            whether the files still grew when the look ahead ended
    telling_ns       how long a run tells for sure, where this one was too short for what comes seldom; else 0
    live_max_bytes   the most that was in use until then
    carried_on_ns    how long the run was carried on for this; 0: not at all
    life             the life of the flash, by the longer run
    """

    full_ns: int | None
    is_projected: bool
    grows: bool
    telling_ns: int
    live_max_bytes: int
    carried_on_ns: int
    life: Life | None

    @property
    def worn_ns(self) -> int | None:
        """When the first block is at its rated cycles."""
        life = self.life
        return None if life is None or life.hottest_ns is None else life.run_ns + life.hottest_ns


@dataclass(frozen=True, slots=True)
class Figures:
    """All figures of a run. None is what does not apply: wear and life where the store is no log on flash, `card` where
    it is not on a card, stalls and boots where the medium takes no time, energy where nobody knows it, `battery` where
    the scenario has none. Of a store on flash and card, `both` tells what became of the readings, and `on_flash` and
    `on_card` are the figures of each."""

    subject: Subject
    room: Room
    amplification: Amplification
    flash_work: FlashWork
    wear: Wear | None
    life: Life | None
    stalls: Stalls | None
    boots: Boots | None
    ram_bytes: dict[str, int]
    energy: Energy | None
    tasks: tuple[TaskShare, ...]
    trouble: Trouble
    outlook: Outlook | None = None
    regions: tuple[RegionWear, ...] = ()  # what wears beside the store
    card: CardWork | None = None
    battery: BatteryLife | None = None
    both: BothWork | None = None
    on_flash: Figures | None = None
    on_card: Figures | None = None

    @property
    def best_life(self) -> Life | None:
        """The life by the run, or by the longer one where the run can't tell."""
        if self.life is not None and self.life.hottest_ns is None and self.outlook is not None:
            return self.outlook.life
        return self.life

    @property
    def first_block_ns(self) -> int | None:
        """Until the first block is at its rated cycles, be it the store's or a region's; None if nobody knows."""
        life, first = self.best_life, first_worn(self.regions)
        if life is None or life.hottest_ns is None or first is None:
            return None if life is None else life.hottest_ns
        return min(life.hottest_ns, first.life_ns)

    @property
    def ram_total_bytes(self) -> int:
        return sum(self.ram_bytes.values())
