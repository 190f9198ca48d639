"""Judges what a scenario expects. An expectation that the run can't answer is not met."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, NamedTuple, cast

from simfs.flash import PowerCut
from simfs.replay.device.device import Run
from simfs.study.run.figures import Figures

Number = int | float
NJ_PER_MJ = 10**6


@dataclass(frozen=True, slots=True)
class Verdict:
    """One expectation, and whether it is met.

    `unit` is that of `measured` and `limit`: ns, bytes, mJ, percent, ratio, count. An expectation that is no quantity
    has the unit "", and `faults` says what is not as expected.
    """

    name: str
    met: bool
    measured: Number | None
    limit: object
    unit: str
    faults: tuple[str, ...] = ()
    by_default: bool = False  # the scenario says nothing about it

    @property
    def at_least(self) -> bool:
        return self.name.endswith("_min")


class Limit(NamedTuple):
    """How a quantity is measured. It is None if the run can't say."""

    unit: str
    measure: Callable[[Run, Figures], Number | None]


LIMITS: dict[str, Limit] = {  # a name that ends in _min is a lower bound, any other an upper one
    "life_min": Limit("ns", lambda _, figures: figures.first_block_ns),
    "life_even_min": Limit("ns", lambda _, figures: figures.best_life.even_ns if figures.best_life else None),
    "write_stall_max": Limit("ns", lambda _, figures: figures.stalls.longest_ns if figures.stalls else None),
    "write_stall_p999_max": Limit("ns", lambda _, figures: figures.stalls.per_mille_999_ns if figures.stalls else None),
    "write_stall_bound_max": Limit(
        "ns", lambda _, figures: figures.stalls.longest_at_max_ns if figures.stalls else None
    ),
    "held_read_max": Limit("ns", lambda _, figures: figures.stalls.held_longest_ns if figures.stalls else None),
    "mount_max": Limit("ns", lambda _, figures: figures.boots.slowest.time_ns if figures.boots else None),
    "refused_max": Limit("count", lambda _, figures: figures.trouble.refused_operations),
    "lost_records_max": Limit("count", lambda _, figures: figures.trouble.lost_records),
    "lost_readings_max": Limit("count", lambda _, figures: figures.both.lost_with_card if figures.both else None),
    "late_max": Limit("ns", lambda _, figures: figures.trouble.late_ns),
    "write_amplification_max": Limit("ratio", lambda _, figures: figures.amplification.total_ratio),
    "erase_count_max": Limit("count", lambda _, figures: max(figures.wear.erases_in_run) if figures.wear else None),
    "erases_max": Limit("count", lambda _, figures: figures.flash_work.erases if figures.wear else None),
    "room_percent_max": Limit("percent", lambda _, figures: _room_percent(figures)),
    "ram_max": Limit("bytes", lambda _, figures: figures.ram_total_bytes or None),
    "energy_mj_per_day_max": Limit(
        "mJ", lambda _, figures: _mj(figures.energy.active_per_day_nj) if figures.energy else None
    ),
    "battery_min": Limit("ns", lambda _, figures: figures.battery.life_ns if figures.battery else None),
    "file_count_min": Limit("count", lambda run, _: len(run.store.names())),
    "file_count_max": Limit("count", lambda run, _: len(run.store.names())),
}


JUDGED_BY_DEFAULT = ("scenario", "script", "recording")  # a test and a mount hear of each refusal when it comes


def judge(run: Run, figures: Figures) -> tuple[Verdict, ...]:
    """A verdict for each expectation that is set, and for what happened to the data although nothing is said about it.
    Reads the store, so take the figures first.

    An unknown name is a KeyError: the scenario's schema lets none through.
    """
    wanted = {name: value for name, value in run.expect.items() if name != "unmet" and value is not None}
    stated = [_judge(name, value, run, figures) for name, value in wanted.items()]
    quick = {"late_max"} if run.kind == "recording" else set()  # the host may have been quicker than any device is
    unsaid = [name for name in _by_default(figures) if run.expect.get(name) is None and name not in quick]
    found = [_judge(name, _by_default(figures)[name], run, figures) for name in unsaid]
    unexpected = [replace(verdict, by_default=True) for verdict in found if not verdict.met]
    return tuple(stated + (unexpected if run.kind in JUDGED_BY_DEFAULT else []))


def _by_default(figures: Figures) -> dict[str, Any]:
    """What holds if a scenario says nothing else."""
    longest_ns = figures.stalls.longest_ns if figures.stalls else 0
    asked_ns = figures.subject.duration_ns - figures.trouble.late_ns
    late_ns = max(asked_ns // 100, 2 * longest_ns)
    of_both = {"lost_readings_max": 0} if figures.both else {}
    return {
        "refused_max": 0, "lost_records_max": 0, "late_max": late_ns, "names_fit": True, "writable": True, **of_both
    }  # fmt: skip


def surprises(run: Run, verdicts: tuple[Verdict, ...]) -> list[str]:
    """A line for each expectation that is not met, and for each that is met although `unmet` names it."""
    unmet = cast("list[str]", run.expect.get("unmet") or [])
    return [
        f"{verdict.name} is met, and unmet says that it is not" if verdict.met else _not_met(verdict)
        for verdict in verdicts
        if verdict.met == (verdict.name in unmet)
    ]


def _not_met(verdict: Verdict) -> str:
    return f"{verdict.name} is not met{', which holds by default' if verdict.by_default else ''}"


def _judge(name: str, wanted: Any, run: Run, figures: Figures) -> Verdict:
    if name in STATES:
        try:
            faults = tuple(STATES[name](wanted, run, figures))
        except PowerCut:  # a script may leave its flash without power
            faults = ("the store can't be read: the flash has no power",)
        return Verdict(name, not faults, None, wanted, "", faults)
    unit, measure = LIMITS[name]
    measured = measure(run, figures)
    if measured is None:
        return Verdict(name, False, None, wanted, unit)
    met = measured >= wanted if name.endswith("_min") else measured <= wanted
    return Verdict(name, met, measured, wanted, unit)


def _names_fit(wanted: bool, _: Run, figures: Figures) -> list[str]:
    trouble = figures.trouble
    faults = [f"{fault.name}: {fault.why}" for fault in trouble.name_faults if fault.breaks]
    if trouble.names_cut:
        faults.append(f"names cut silently: {trouble.names_cut}")
    return _as_wanted(wanted, faults, "every name fits")


def _writable(wanted: bool, _: Run, figures: Figures) -> list[str]:
    shut = figures.trouble.shut
    return _as_wanted(wanted, [f"the next mount can't write: {shut}"] if shut else [], "the store can be written")


def _sound(wanted: bool, run: Run, _: Figures) -> list[str]:
    return _as_wanted(wanted, run.store.check(), "the store is sound")


def _as_wanted(wanted: bool, faults: list[str], otherwise: str) -> list[str]:
    """The faults if none are wanted; if some are wanted and there are none, a fault that says so."""
    if wanted:
        return faults
    return [] if faults else [otherwise]


def _files_present(wanted: list[str], run: Run, _: Figures) -> list[str]:
    return [f"{name}: not there" for name in wanted if not run.store.exists(name)]


def _files_absent(wanted: list[str], run: Run, _: Figures) -> list[str]:
    return [f"{name}: still there" for name in wanted if run.store.exists(name)]


def _file_sizes(wanted: dict[str, int], run: Run, figures: Figures) -> list[str]:
    faults = _files_present(list(wanted), run, figures)
    for name, size_bytes in wanted.items():
        if run.store.exists(name) and run.store.stat(name).size_bytes != size_bytes:
            faults.append(f"{name}: {run.store.stat(name).size_bytes} bytes, not {size_bytes}")
    return faults


def _file_texts(wanted: dict[str, str], run: Run, figures: Figures) -> list[str]:
    faults = _files_present(list(wanted), run, figures)
    for name, text in wanted.items():
        if run.store.exists(name):
            faults += _text_faults(run, name, text.encode())
    return faults


def _text_faults(run: Run, name: str, wanted: bytes) -> list[str]:
    try:
        with run.store.open(name, "r") as file:
            return [] if file.readall() == wanted else [f"{name}: holds something else"]
    except OSError as error:  # its frames are damaged, or the run left too many files open to open one more
        return [f"{name}: {error.strerror}"]


STATES: dict[str, Callable[[Any, Run, Figures], list[str]]] = {
    "names_fit": _names_fit,
    "writable": _writable,
    "sound": _sound,
    "files_present": _files_present,
    "files_absent": _files_absent,
    "file_sizes": _file_sizes,
    "file_texts": _file_texts,
}


def _room_percent(figures: Figures) -> float:
    """Where files are on flash and card: of the one that is fuller."""
    return (
        max(side.room.live_max_percent for side in (figures.on_flash, figures.on_card) if side is not None)
        if figures.both
        else figures.room.live_max_percent
    )


def _mj(energy_nj: int | None) -> float | None:
    return None if energy_nj is None else energy_nj / NJ_PER_MJ
