"""The lines of the report: (figure, value, what it counts and what to do about it)."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.files.contract import Settings
from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.device.notes import Refusal, Stall
from simfs.show import units
from simfs.show.map.wear import region_lines
from simfs.show.rows.battery import battery_lines
from simfs.show.rows.both import reading_lines
from simfs.show.rows.card import card_lines
from simfs.show.rows.line import Line, marked
from simfs.show.rows.wear import life_lines, wear_lines
from simfs.study.run.device_figures import Boots, Stalls
from simfs.study.run.energy import Energy
from simfs.study.run.figures import (
    Amplification,
    Figures,
    FlashWork,
    Room,
    Trouble,
)

NEARLY_FULL_PERCENT = 90
MUCH_RATIO = 1.5  # metadata or relocation beyond this outweighs the data itself
REFUSALS_SHOWN = NAMES_SHOWN = SKIPPED_SHOWN = 3
DIFFERING_SHOWN = 20
HELD_UP = "reads held up"

ADVICE = {
    "ENOSPC": "The store was full: keep fewer or shorter files, or give it more blocks.",
    "ENAMETOOLONG": "Shorten the name, or raise name_bytes.",
    "EMFILE": "Close files sooner, or raise open_files_max.",
    "ENOENT": "The file was not there: create it first, or test for it.",
    "EEXIST": "The file was there already.",
}


def sections(figures: Figures) -> Iterator[tuple[str, list[Line]]]:
    """Every section of the report with its lines, in order; without what does not apply to the store or its medium."""
    settings = figures.subject.settings
    found = {"Readings": [*reading_lines(figures.both)]} if figures.both else _of_the_medium(figures)
    found |= {
        "Waiting": [*_waiting(figures.stalls, settings)] if figures.stalls else [],
        "Device": [*_device(figures)],
        "Battery": [*battery_lines(figures.battery)] if figures.battery else [],
        "Trouble": [*_trouble(figures.trouble)],
    }
    yield from ((section, lines) for section, lines in found.items() if lines)


def all_sections(figures: Figures) -> Iterator[tuple[str, list[Line]]]:
    """For whoever has one list for all: `sections`, then those of flash and card where a store is on both."""
    yield from sections(figures)
    for side, name in ((figures.on_flash, "flash"), (figures.on_card, "card")):
        if side is not None:
            yield from ((f"{section}, {name}", lines) for section, lines in sections_of_side(side))


def _of_the_medium(figures: Figures) -> dict[str, list[Line]]:
    """What goes for one medium only."""
    settings = figures.subject.settings
    return {
        "Room": [*_room(figures.room, cleans=figures.wear is not None)],
        "Writing": [*_writing(figures.amplification, figures.flash_work, settings, erases=figures.wear is not None)],
        "Wear": [
            *(wear_lines(figures.wear) if figures.wear else ()),
            *(life_lines(figures.best_life) if figures.best_life else ()),
            *(card_lines(figures.card) if figures.card else ()),
            *region_lines(figures.regions),
        ],
    }


def sections_of_side(figures: Figures) -> Iterator[tuple[str, list[Line]]]:
    """The same for flash or card of a store on both: what the run notes of both together is left out."""
    for section, lines in sections(figures):
        if section != "Trouble":
            yield section, [line for line in lines if line[0] != HELD_UP]


def _deed(what: Stall | Refusal) -> str:
    return f"{what.operation} {units.plain(what.name)} by task {units.plain(what.task)}"


def _room(room: Room, *, cleans: bool) -> Iterator[Line]:
    capacity = units.size(room.capacity_bytes)
    full = "Nearly full: cleaning costs more with every percent" if cleans else "Nearly full"
    yield (
        "in use at the end",
        units.size(room.live_bytes),
        f"{units.percent(room.live_percent)} of the {capacity} for files and names",
    )
    yield marked(
        room.live_max_percent >= NEARLY_FULL_PERCENT,
        "most in use",
        units.size(room.live_max_bytes),
        f"{units.percent(room.live_max_percent)}, reached {units.into_the_run(room.live_max_at_ns)}",
        f"{full}. Keep fewer files, or give the store more {'blocks' if cleans else 'room'}.",
    )


def _writing(split: Amplification, work: FlashWork, settings: Settings, *, erases: bool) -> Iterator[Line]:
    yield "device wrote", units.size(split.host_bytes), "bytes that the firmware wrote, all files together"
    yield (
        "write amplification",
        units.ratio(split.total_ratio),
        "programmed for each byte; at least 1.00",
    )
    yield "  data", units.ratio(split.data_ratio), "the device's own bytes, once"
    if settings.metadata:
        yield marked(
            (split.metadata_ratio or 0) > MUCH_RATIO,
            "  metadata",
            units.ratio(split.metadata_ratio),
            settings.metadata,
            "The pieces are small: gather more before each flush or close.",
        )
    if erases:
        yield from _erasing(split, work)


def _erasing(split: Amplification, work: FlashWork) -> Iterator[Line]:
    yield marked(
        (split.relocation_ratio or 0) > MUCH_RATIO,
        "  relocation",
        units.ratio(split.relocation_ratio),
        "file bytes moved to free a block for its erase",
        "Give the store more room, or try two log heads with the cost-benefit cleaner.",
    )
    pages, blocks = units.counted(work.programs_floor, "page"), units.counted(work.blocks_floor, "block")
    yield "page programs", f"{work.programs:,}", f"in the run; the bytes alone would fill {pages}"
    yield "block erases", f"{work.erases:,}", f"in the run; the bytes alone would fill {blocks}"


def _waiting(stalls: Stalls, settings: Settings) -> Iterator[Line]:
    longest, worst = stalls.longest, stalls.longest_at_max
    if longest is None or worst is None:
        yield "longest write", "-", "nothing was written"
        return
    hint = f". {settings.erase_hint}" if longest.erases and settings.erase_hint else ""
    yield (
        "longest write",
        units.time(longest.busy_ns),
        f"{_deed(longest)}, {units.into_the_run(longest.at_ns)}: {_cause(longest, settings)}{hint}",
    )
    yield (
        "99.9 % of writes",
        units.time(stalls.per_mille_999_ns),
        f"or less, of {stalls.count:,}; mean {units.time(stalls.total_ns // stalls.count)}; at typical times",
    )
    cleanings = stalls.most_cleanings.cleanings if stalls.most_cleanings else 0
    chain = f"; longest chain in a write: {units.counted(cleanings, 'cleaning')}" if settings.erases else ""
    which = "the same write" if worst == longest else f"{_deed(worst)}, {_cause(worst, settings)},"
    longest_times = "the datasheet's maximum times" if settings.erases else "the longest times that are allowed"
    yield "bound, worst part", units.time(worst.busy_max_ns), f"{which} at {longest_times}{chain}"
    behind = f"; longest {units.time(stalls.held_longest_ns)}, behind {units.plain(stalls.held_behind)}"
    yield (
        HELD_UP,
        f"{stalls.held_reads:,}",
        f"were due while the {settings.medium} was busy{behind if stalls.held_reads else ''}",
    )


def _cause(stall: Stall, settings: Settings) -> str:
    work = [units.counted(stall.programs, settings.program)]
    work += [units.counted(stall.erases, "erase")] if settings.erases else []
    if stall.cleanings:
        work.append(f"{units.counted(stall.cleanings, 'cleaning')} moving {units.size(stall.relocated_bytes)}")
    return ", ".join(work)


def _device(figures: Figures) -> Iterator[Line]:
    if figures.boots:
        yield _boot(figures.boots, figures.subject.settings.medium)
    if figures.ram_bytes:
        yield _ram(figures)
    if figures.energy:
        yield from _energy(figures.energy, figures.subject.settings)


def _boot(boots: Boots, medium: str) -> Line:
    last = boots.at_end
    slowest = f"; slowest in the run {units.time(boots.slowest.time_ns)}" if boots.in_run else ""
    return (
        "mount at boot",
        units.time(last.time_ns),
        f"{units.counted(last.reads, f'{medium} read')}, {units.size(last.read_bytes)}, at the end of the run{slowest}",
    )


def _ram(figures: Figures) -> Line:
    parts = ", ".join(f"{name.removesuffix('_bytes')} {units.size(size)}" for name, size in figures.ram_bytes.items())
    return "RAM for the store", units.size(figures.ram_total_bytes), f"on the device: {parts}"


def _energy(energy: Energy, settings: Settings) -> Iterator[Line]:
    """One row: the medium's work is the figure, and what it takes at rest is told beside it."""
    active, volts = energy.active_per_day_nj, f"{energy.supply_mv / 1000:g} V"
    work = "programs, erases, reads" if settings.erases else "writes and reads"
    rest = f"{units.energy(energy.standby_per_day_nj)}, {units.charge(energy.standby_per_day_nj, energy.supply_mv)}"
    besides = f"On top of it the {settings.medium.replace(' or ', ' and ')} at rest: {rest}"
    if active is None:
        charge = units.charge(energy.program_erase_read_nj, energy.supply_mv)
        note = f"{work}; {charge} at {volts}. Too short to tell of a day. {besides} a day"
        yield "energy in the run", units.energy(energy.program_erase_read_nj), note
    else:
        pace = f"at the pace of {units.time(energy.run_ns)}: " if energy.run_ns < NS_PER_DAY else ""
        note = f"{pace}{work}; {units.charge(active, energy.supply_mv)} at {volts}. {besides}"
        yield "energy a day", units.energy(active), note


def _trouble(trouble: Trouble) -> Iterator[Line]:
    yield from _refusals(trouble)
    if trouble.lost_records:
        yield "! lost in RAM", f"{trouble.lost_records:,}", "gathered records, at a boot"
    if trouble.waiting_records:
        yield "waits in RAM", f"{trouble.waiting_records:,}", "gathered records that were not written at the end"
    if trouble.late_ns:
        yield "done late", units.time(trouble.late_ns), "after the end of the run was its work done"
    if trouble.shut:
        yield "! shut", "", f"the next mount finds a store that can't be written: {units.plain(trouble.shut, 200)}"
    yield from _names(trouble)
    if trouble.names_cut:
        yield "! names cut", f"{trouble.names_cut:,}", 'times a name was cut silently; overlong = "reject" shows where'
    for skipped in trouble.skipped[:SKIPPED_SHOWN]:
        yield (
            "! not replayed",
            f"{skipped.count:,}",
            f"{units.plain(skipped.what, 200)}, first in line {skipped.line:,}",
        )
    if len(trouble.skipped) > SKIPPED_SHOWN:
        rest = sum(skipped.count for skipped in trouble.skipped[SKIPPED_SHOWN:])
        yield "! not replayed", f"{rest:,} more", "all of them with --json"
    yield from _differing(trouble)


def _differing(trouble: Trouble) -> Iterator[Line]:
    """The files that may not be as the recorded program left them."""
    for file in trouble.differing[:DIFFERING_SHOWN]:
        yield (
            "! may differ",
            "",
            f"{units.plain(file.name, 100)}: {units.plain(file.why, 200)}, since line {file.line:,}",
        )
    if len(trouble.differing) > DIFFERING_SHOWN:
        yield "! may differ", f"{len(trouble.differing) - DIFFERING_SHOWN:,} more", "all of them with --json"


def _names(trouble: Trouble) -> Iterator[Line]:
    broken = [fault for fault in trouble.name_faults if fault.breaks]
    kept_apart = [fault for fault in trouble.name_faults if not fault.breaks]
    if not broken and not trouble.names_cut:
        yield "names that break", "0", "too long, or equal to another once cut or folded"
    for label, faults in (("! name breaks", broken), ("name kept apart", kept_apart)):
        for fault in faults[:NAMES_SHOWN]:
            why, what_happens = units.plain(fault.why, 200), units.plain(fault.what_happens, 200)
            yield label, "", f"{units.plain(fault.name, 100)}: {why}; {what_happens}"
        if len(faults) > NAMES_SHOWN:
            yield label, f"{len(faults) - NAMES_SHOWN:,} more", "all of them with --json"


def _refusals(trouble: Trouble) -> Iterator[Line]:
    if not trouble.refusals:
        yield "refused", "0", "operations that the store refused"
    often = sorted(trouble.refusals, key=lambda refusal: -refusal.count)
    for refusal in often[:REFUSALS_SHOWN]:
        yield (
            "! refused",
            f"{refusal.count:,}",
            f"{refusal.error} for {_deed(refusal)}, first {units.into_the_run(refusal.first_at_ns)}. "
            f"{ADVICE.get(refusal.error, '')}",
        )
    if len(often) > REFUSALS_SHOWN:
        rest = sum(refusal.count for refusal in often[REFUSALS_SHOWN:])
        yield "! refused", f"{rest:,} more", "all of them with --json"
