"""The report on a fleet: the times of its lost blocks and stores, and what they rest on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from simfs.files.store import the_log
from simfs.replay.device.device import Run
from simfs.replay.device.rewritten import Rewritten
from simfs.study.fleet.first_block import (
    SHARES,
    Check,
    Lost,
    Pace,
    check,
    first_lost_by,
    store_lost_by,
)
from simfs.study.fleet.limit_laws import Law
from simfs.study.fleet.lost_store import SampledLosses
from simfs.study.fleet.order_statistics import Sampled, sampled
from simfs.study.fleet.retention import Kept


@dataclass(frozen=True, slots=True)
class Wear:
    """The pace that the fleet's times rest on."""

    source: str
    over_ns: int
    block_count: int
    erases: float
    erases_min: float
    erases_max: float
    rated_cycles: int


@dataclass(frozen=True, slots=True)
class FirstBlock:
    """The time by which a share of the devices has lost a block: by the formula, by the formula if wear were even, and
    of the simulated devices."""

    share: float
    formula_ns: int
    even_ns: int
    simulated: Sampled


@dataclass(frozen=True, slots=True)
class RegionBlocks:
    """The time by which each of `SHARES` has lost a block of a region that the firmware erases by itself."""

    name: str
    block_count: int
    first_lost_ns: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class StoreEstimate:
    """When a share of the devices have lost more blocks than the store can spare; see `fleet.store_lost_by`."""

    share: float
    at_ns: int


@dataclass(frozen=True, slots=True)
class FleetReport:
    """A fleet's figures. `spare_blocks` can be lost before what the run kept in the store no longer fits.

    `life_min_ns` is the scenario's expectation; it is held against the time by which 1 % of the devices have lost
    their first block.
    """

    title: str
    source: str
    kind: str
    part: str
    law_name: str
    law: Law
    wear: Wear
    seed: int
    first_block: tuple[FirstBlock, ...]
    check: Check
    spare_blocks: int
    store_estimate: tuple[StoreEstimate, ...]
    store_sample: SampledLosses | None
    kept: tuple[Kept, ...]
    life_min_ns: int | None
    regions: tuple[RegionBlocks, ...] = ()
    any_block_ns: tuple[int, ...] = ()  # the times of `SHARES` for the store and all regions; empty without regions

    @property
    def first_lost_ns(self) -> int:
        """When 1 % of the devices have lost their first block, be it the store's or a region's."""
        return self.any_block_ns[0] if self.any_block_ns else self.first_block[0].formula_ns

    @property
    def met(self) -> bool | None:
        """Whether the expectation is met; None where there is none."""
        return None if self.life_min_ns is None else self.first_lost_ns >= self.life_min_ns


def fleet_report(
    run: Run,
    law_name: str,
    law: Law,
    pace: Pace,
    losses: Sequence[Lost],
    *,
    seed: int,
    store_sample: SampledLosses | None = None,
    kept: tuple[Kept, ...] = (),
) -> FleetReport:
    """Every figure of a fleet whose devices all do as `run`; `losses` are the first blocks that simulated ones lost."""
    times, even = [lost.at_ns for lost in losses], pace.even()
    spare = spare_blocks(run)
    life_min_ns = run.expect.get("life_min")
    worn = [_pace_of_region(one, run) for one in run.rewritten]
    at_first = [(share, first_lost_by(law, pace, share), first_lost_by(law, even, share)) for share in SHARES]
    return FleetReport(
        title=run.title,
        source=run.source,
        kind=run.kind,
        part=run.flash.datasheet.name,
        law_name=law_name,
        law=law,
        wear=_wear(pace, run.flash.datasheet.rated_cycles),
        seed=seed,
        first_block=tuple(FirstBlock(*at, sampled(times, at[0])) for at in at_first),
        check=check(law, pace, losses),
        spare_blocks=spare,
        store_estimate=tuple(StoreEstimate(share, store_lost_by(law, pace, spare + 1, share)) for share in SHARES),
        store_sample=store_sample,
        kept=kept,
        life_min_ns=life_min_ns if isinstance(life_min_ns, int) else None,
        regions=tuple(RegionBlocks(wear.source, len(wear.erases), _shares(law, wear)) for wear in worn),
        any_block_ns=_shares(law, pace.beside(worn)) if worn else (),
    )  # fmt: skip


def _wear(pace: Pace, rated_cycles: int) -> Wear:
    erases = pace.erases
    return Wear(pace.source, pace.over_ns, len(erases), sum(erases), min(erases), max(erases), rated_cycles)


def _shares(law: Law, pace: Pace) -> tuple[int, ...]:
    return tuple(first_lost_by(law, pace, share) for share in SHARES)


def _pace_of_region(region: Rewritten, run: Run) -> Pace:
    """One erase of each block in the time that the firmware says, under the region's name."""
    blocks = region.size_bytes // run.flash.datasheet.block_bytes
    return Pace(region.erased_every_ns, (1,) * blocks, region.name)


def spare_blocks(run: Run) -> int:
    """How many blocks the store can lose and still hold what the run kept in it at most."""
    store = the_log(run.store)
    room = store.usage()
    share_bytes = room.capacity_bytes // max(1, store.flash.geometry.block_count - store.config.reserve)
    return max(0, (room.capacity_bytes - run.live_bytes_max) // max(1, share_bytes))
