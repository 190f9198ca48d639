"""A campaign on flash and card as one object to show."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.files.contract import AnyStore, Settings
from simfs.study.both_cuts.calls import BothHistory
from simfs.study.both_cuts.campaign import EVENTS, BothCampaign, BothState, Tally


@dataclass(frozen=True, slots=True)
class BothSubject:
    """What ran, on what, and at how many of its `changes` (programs, erases and sector writes) something happened: at
    all, or at a `sample` drawn with `seed`."""

    title: str
    source: str
    kind: str
    role: str
    operations: int
    changes: int
    part: str
    settings: Settings
    sample: int | None
    seed: int


@dataclass(frozen=True, slots=True)
class EventRow:
    """The states that one event left: `within` a write, or just before it."""

    event: str
    within: bool
    states: int
    sound: int
    to_mend: int
    losing: int
    lost_bytes_max: int
    losing_when_mended: int
    lost_bytes_max_when_mended: int
    repeating: int


@dataclass(frozen=True, slots=True)
class BothWorst:
    """The state that loses the most once the card is mended."""

    event: str
    operation: str
    name: str
    task: str
    files: int
    lost_bytes: int


@dataclass(frozen=True, slots=True)
class BothCutReport:
    """`faults`: what a check of the card finds, in how many states. `loses_untorn`: states that lose something although
    nothing was being written to the card; `repeats`: those with readings that are there twice; `mirror_loses`: those in
    which a mirror loses something. There should be none of these."""

    subject: BothSubject
    states: int
    rows: tuple[EventRow, ...]
    faults: dict[str, int]
    worst: BothWorst | None
    loses_untorn: int
    repeats: int
    mirror_loses: int

    @property
    def broken(self) -> bool:
        return bool(self.loses_untorn or self.repeats or self.mirror_loses)


def both_cut_report(
    history: BothHistory, found: BothCampaign, store: AnyStore, *, source: str, kind: str, changes: int, seed: int
) -> BothCutReport:
    """The report on a campaign; `store` is the one of the run, `changes` how many it makes."""
    sample = found.places if found.places < changes else None
    role = history.start.role
    subject = BothSubject(
        history.title, source, kind, role, len(history.deeds), changes, store.medium.name, store.settings, sample, seed
    )
    tallies = found.tallies
    keys = [(event, within) for event in EVENTS for within in (False, True) if (event, within) in tallies]
    losing = sum(tally.losing_after for tally in tallies.values())
    return BothCutReport(
        subject=subject,
        states=sum(tally.states for tally in tallies.values()),
        rows=tuple(_row(*key, tallies[key]) for key in keys),
        faults=dict(found.faults.most_common()),
        worst=_worst(found.worst),
        loses_untorn=sum(
            max(tally.losing, tally.losing_after) for key, tally in tallies.items() if key not in _TEARING
        ),
        repeats=sum(tally.repeating for tally in tallies.values()),
        mirror_loses=losing if role == "mirror" else 0,
    )


_TEARING = tuple((event, True) for event in EVENTS[1:])  # in which a sector can't be read afterwards


def _row(event: str, within: bool, tally: Tally) -> EventRow:
    return EventRow(
        event, within, tally.states, tally.sound, tally.to_mend, tally.losing, tally.lost_bytes_max,
        tally.losing_after, tally.lost_bytes_max_after, tally.repeating,
    )  # fmt: skip


def _worst(state: BothState | None) -> BothWorst | None:
    if state is None:
        return None
    deed = state.deed
    return BothWorst(state.event, deed.operation, deed.name, deed.task, len(state.after), sum(state.after.values()))
