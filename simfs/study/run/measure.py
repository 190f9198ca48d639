"""The figures of one run, taken from where each was counted: bytes and operations from the flash's own counters, the
split by purpose from the store's meters."""

from __future__ import annotations

from dataclasses import asdict

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_S
from simfs.replay.device.device import Run
from simfs.replay.device.notes import TaskTally
from simfs.study.run.figures import (
    Amplification,
    Boots,
    Energy,
    Figures,
    FlashWork,
    Room,
    Stalls,
    Subject,
    TaskShare,
    Trouble,
    Wear,
)
from simfs.study.run.life_projection import Life, project


def figures(run: Run) -> Figures:
    """Every figure of `run`. Takes time in proportion to the number of blocks, and touches no flash."""
    return Figures(
        subject=_subject(run),
        room=_room(run),
        amplification=_amplification(run),
        flash_work=_flash_work(run),
        wear=_wear(run),
        life=_life(run),
        stalls=_stalls(run),
        boots=Boots(len(run.boots) - 1, run.boots[-1], max(run.boots, key=lambda boot: boot.time_ns)),
        ram_bytes=dict(run.store.ram()),
        energy=_energy(run),
        tasks=tuple(_share(tally) for tally in run.tasks.values()),
        trouble=_trouble(run),
    )


def _host_bytes(run: Run) -> int:
    return sum(tally.host_bytes for tally in run.tasks.values())


def _erases_in_run(run: Run) -> tuple[int, ...]:
    return tuple(now - first for now, first in zip(run.flash.erase_counts, run.erase_counts_first, strict=True))


def _subject(run: Run) -> Subject:
    geometry = run.flash.geometry
    return Subject(
        title=run.title,
        source=run.source,
        kind=run.kind,
        duration_ns=run.duration_ns,
        operations=sum(tally.operations.total() for tally in run.tasks.values()),
        part=run.flash.datasheet.name,
        block_count=geometry.block_count,
        block_bytes=geometry.block_bytes,
        page_bytes=geometry.page_bytes,
        settings=asdict(run.store.config),
    )


def _room(run: Run) -> Room:
    usage = run.store.usage()
    return Room(
        usage.capacity_bytes, usage.live_bytes, run.live_bytes_max, run.live_bytes_max_at_ns, usage.dead_bytes,
        usage.blank_bytes,
    )  # fmt: skip


def _amplification(run: Run) -> Amplification:
    spent = run.flash.counts - run.first
    first, meters = run.first_meters, run.store.meters
    data_bytes = meters.payload_bytes_programmed - first.payload_bytes_programmed
    relocated_bytes = meters.relocated_bytes - first.relocated_bytes
    metadata_bytes = spent.program_bytes - data_bytes - relocated_bytes
    erased_bytes = spent.erases * run.flash.geometry.block_bytes
    return Amplification(_host_bytes(run), data_bytes, metadata_bytes, relocated_bytes, erased_bytes)


def _flash_work(run: Run) -> FlashWork:
    spent, geometry, datasheet = run.flash.counts - run.first, run.flash.geometry, run.flash.datasheet
    host_bytes = _host_bytes(run)
    return FlashWork(
        reads=spent.reads,
        read_bytes=spent.read_bytes,
        programs=spent.programs,
        program_bytes=spent.program_bytes,
        erases=spent.erases,
        programs_floor=-(-host_bytes // geometry.page_bytes),
        blocks_floor=-(-host_bytes // geometry.block_bytes),
        busy_ns=spent.busy_ns(datasheet),
        read_ns=spent.read_ns(datasheet),
    )


def _wear(run: Run) -> Wear:
    counts = tuple(run.store.erase_counts)
    least, most = min(counts), max(counts)
    return Wear(counts, _erases_in_run(run), least, most, sum(counts), counts.index(most), counts.index(least))


def _life(run: Run) -> Life:
    blocks = run.store.blocks()
    return project(
        rated_cycles=run.flash.datasheet.rated_cycles,
        erase_counts=run.store.erase_counts,
        erases_in_run=_erases_in_run(run),
        filled=[block.state not in ("blank", "ready") for block in blocks],
        unused_blocks=sum(block.state == "blank" for block in blocks),
        block_bytes=run.flash.geometry.block_bytes,
        host_bytes=_host_bytes(run),
        run_ns=run.duration_ns,
    )


def _stalls(run: Run) -> Stalls:
    writes, held = run.writes, run.held
    return Stalls(
        writes.count, writes.total_ns, writes.percentile_ns(999), writes.longest, writes.longest_at_max,
        writes.most_cleanings, held.count, held.total_ns, held.longest_ns, held.behind,
        dict(sorted(writes.histogram.items())),
    )  # fmt: skip


def _energy(run: Run) -> Energy:
    datasheet = run.flash.datasheet
    standby_nw = datasheet.standby_ua * datasheet.supply_mv
    spent_nj = (run.flash.counts - run.first).energy_nj(datasheet)
    return Energy(spent_nj, run.duration_ns, standby_nw * (NS_PER_DAY // NS_PER_S), datasheet.supply_mv)


def _trouble(run: Run) -> Trouble:
    lost_records = sum(tally.lost_records for tally in run.tasks.values())
    names_cut = run.store.meters.names_cut
    return Trouble(tuple(run.refusals), tuple(run.name_faults), names_cut, lost_records, tuple(run.skipped))


def _share(tally: TaskTally) -> TaskShare:
    return TaskShare(
        name=tally.name,
        operations=tally.operations.total(),
        refused=tally.refused,
        lost_records=tally.lost_records,
        host_bytes=tally.host_bytes,
        read_bytes=tally.read_bytes,
        programs=tally.programs,
        program_bytes=tally.program_bytes,
        erases=tally.erases,
        busy_ns=tally.busy_ns,
        by_operation=dict(sorted(tally.operations.items())),
    )
