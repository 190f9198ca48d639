"""The figures of one run, taken from where each was counted: bytes and operations from the medium's own counters, the
split by purpose from the store's meters."""

from __future__ import annotations

from dataclasses import replace

from simfs.files.both.pair import both_of
from simfs.files.card_store import card_of
from simfs.files.contract import Spent
from simfs.files.store import Store, log_of
from simfs.replay.device.clock import NS_PER_DAY, NS_PER_S
from simfs.replay.device.device import Run
from simfs.replay.device.notes import TaskTally
from simfs.study.run.battery_life import battery_life
from simfs.study.run.both_work import both_work
from simfs.study.run.card_work import CardWork
from simfs.study.run.device_figures import Boots, Stalls
from simfs.study.run.energy import Energy
from simfs.study.run.figures import (
    Amplification,
    Figures,
    FlashWork,
    Room,
    Subject,
    TaskShare,
    Trouble,
    Wear,
)
from simfs.study.run.life_projection import HOLDING, Life, project
from simfs.study.run.region_wear import region_wear


def figures(run: Run) -> Figures:
    """Every figure of `run`. Takes time in proportion to the number of blocks, and touches no flash."""
    taken, pair = _figures(run), both_of(run.store)
    if run.sides is None or pair is None:
        return taken
    on_flash, on_card = (_figures(side) for side in run.sides)
    return replace(
        taken, wear=on_flash.wear, life=on_flash.life, regions=on_flash.regions, card=on_card.card,
        trouble=replace(taken.trouble, shut=on_flash.trouble.shut), both=both_work(pair, run.start_ns),
        on_flash=on_flash, on_card=on_card,
    )  # fmt: skip


def _figures(run: Run) -> Figures:
    log, medium = log_of(run.store), run.store.medium
    spent = Spent(*medium.since(run.first))
    return Figures(
        subject=_subject(run),
        room=_room(run),
        amplification=_amplification(run, spent),
        flash_work=_work(run, spent),
        wear=None if log is None else _wear(run, log, _life(run, log).first_worn_block),
        life=None if log is None else _life(run, log),
        stalls=_stalls(run) if medium.is_timed else None,
        boots=_boots(run) if medium.is_timed else None,
        ram_bytes=dict(run.store.ram()),
        energy=_energy(run) if medium.supply_mv else None,
        tasks=tuple(_share(tally) for tally in run.tasks.values()),
        trouble=_trouble(run),
        card=_card(run, spent),
        battery=battery_life(run),
        regions=() if log is None else region_wear(run.rewritten, log.flash.datasheet.rated_cycles, run.duration_ns),
    )


def _host_bytes(run: Run) -> int:
    return sum(tally.host_bytes for tally in run.tasks.values())


def _erases_in_run(run: Run, log: Store) -> tuple[int, ...]:
    return tuple(now - first for now, first in zip(log.flash.erase_counts, run.erase_counts_first, strict=True))


def _subject(run: Run) -> Subject:
    medium = run.store.medium
    return Subject(
        title=run.title,
        source=run.source,
        kind=run.kind,
        start_ns=run.start_ns,
        duration_ns=run.duration_ns,
        operations=sum(tally.operations.total() for tally in run.tasks.values()),
        part=medium.name,
        block_count=medium.block_count,
        block_bytes=medium.block_bytes,
        region_start_bytes=run.region_start_bytes,
        page_bytes=medium.unit_bytes,
        settings=run.store.settings,
    )


def _room(run: Run) -> Room:
    usage = run.store.usage()
    return Room(
        usage.capacity_bytes, usage.live_bytes, run.live_bytes_max, run.live_bytes_max_at_ns, usage.dead_bytes,
        usage.blank_bytes,
    )  # fmt: skip


def _amplification(run: Run, spent: Spent) -> Amplification:
    first, meters = run.first_meters, run.store.meters
    data_bytes = meters.payload_bytes_programmed - first.payload_bytes_programmed
    relocated_bytes = meters.relocated_bytes - first.relocated_bytes
    metadata_bytes = spent.program_bytes - data_bytes - relocated_bytes
    erased_bytes = spent.erases * run.store.medium.block_bytes
    return Amplification(_host_bytes(run), data_bytes, metadata_bytes, relocated_bytes, erased_bytes)


def _work(run: Run, spent: Spent) -> FlashWork:
    medium, host_bytes = run.store.medium, _host_bytes(run)
    return FlashWork(
        reads=spent.reads,
        read_bytes=spent.read_bytes,
        programs=spent.programs,
        program_bytes=spent.program_bytes,
        erases=spent.erases,
        programs_floor=-(-host_bytes // medium.unit_bytes),
        blocks_floor=-(-host_bytes // medium.block_bytes) if medium.block_bytes else 0,
        busy_ns=spent.busy_ns,
        read_ns=spent.read_ns,
    )


def _wear(run: Run, log: Store, first_worn: int | None) -> Wear:
    """Of several blocks with the most erases the hottest is the one that will be worn first."""
    counts = tuple(log.erase_counts)
    least, most = min(counts), max(counts)
    hottest = first_worn if first_worn is not None and counts[first_worn] == most else counts.index(most)
    return Wear(counts, _erases_in_run(run, log), least, most, sum(counts), hottest, counts.index(least))


def _life(run: Run, log: Store) -> Life:
    return project(
        rated_cycles=log.flash.datasheet.rated_cycles,
        erase_counts=log.erase_counts,
        erases_in_run=_erases_in_run(run, log),
        holding=[block.state in HOLDING for block in log.blocks()],
        block_bytes=log.flash.geometry.block_bytes,
        host_bytes=_host_bytes(run),
        run_ns=run.duration_ns,
    )


def _card(run: Run, spent: Spent) -> CardWork | None:
    store, medium = card_of(run.store), run.store.medium
    if store is None:
        return None
    sheet = store.card.sheet
    return CardWork(
        sectors_written=spent.programs,
        sectors_floor=-(-_host_bytes(run) // medium.unit_bytes),
        sector_bytes=medium.unit_bytes,
        size_bytes=medium.size_bytes,
        run_ns=run.duration_ns,
        inner_least=sheet.inner_least,
        inner_most=sheet.inner_most,
        fills=sheet.fills,
    )


def _boots(run: Run) -> Boots:
    return Boots(len(run.boots) - 1, run.boots[-1], max(run.boots, key=lambda boot: boot.time_ns))


def _stalls(run: Run) -> Stalls:
    writes, held = run.writes, run.held
    return Stalls(
        writes.count, writes.total_ns, writes.percentile_ns(999), writes.longest, writes.longest_at_max,
        writes.most_cleanings, held.count, held.total_ns, held.longest_ns, held.behind,
        dict(sorted(writes.histogram.items())),
    )  # fmt: skip


def _energy(run: Run) -> Energy:
    medium = run.store.medium
    standby_nj = medium.standby_nw * (NS_PER_DAY // NS_PER_S)
    return Energy(medium.energy_nj(run.first), run.duration_ns, standby_nj, medium.supply_mv)


def _trouble(run: Run) -> Trouble:
    log = log_of(run.store)
    return Trouble(
        refusals=tuple(run.refusals),
        name_faults=tuple(run.name_faults),
        names_cut=run.store.meters.names_cut,
        lost_records=sum(tally.lost_records for tally in run.tasks.values()),
        waiting_records=sum(tally.waiting_records for tally in run.tasks.values()),
        late_ns=max(0, run.duration_ns - run.asked_ns) if run.asked_ns else 0,
        shut="" if log is None else _shut_at_boot(log),
        skipped=tuple(run.skipped),
        differing=tuple(run.differing),
    )


def _shut_at_boot(log: Store) -> str:
    """Why a mount gives no store that can be written. Tried on a copy of the flash."""
    try:
        shut = Store.mount(log.flash.copy()).read_only
    except OSError as error:
        return error.strerror or str(error)
    return "so many blocks have failed that it is read-only" if shut else ""


def _share(tally: TaskTally) -> TaskShare:
    return TaskShare(
        name=tally.name,
        operations=tally.operations.total(),
        refused=tally.refused,
        lost_records=tally.lost_records,
        waiting_records=tally.waiting_records,
        host_bytes=tally.host_bytes,
        read_bytes=tally.read_bytes,
        programs=tally.programs,
        program_bytes=tally.program_bytes,
        erases=tally.erases,
        busy_ns=tally.busy_ns,
        by_operation=dict(sorted(tally.operations.items())),
    )
