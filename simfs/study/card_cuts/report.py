"""A campaign on a card as one object to show."""

from __future__ import annotations

from dataclasses import dataclass

from simfs.files.contract import AnyStore, Settings
from simfs.study.card_cuts.campaign import HITS, CardCampaign, CutState, Hit
from simfs.study.card_cuts.notes import CardHistory


@dataclass(frozen=True, slots=True)
class CardSubject:
    """What ran, on what, and where it was cut: at every sector write, or at a `sample` drawn with `seed`."""

    title: str
    source: str
    kind: str
    operations: int
    sector_writes: int
    part: str
    cluster_count: int
    cluster_bytes: int
    settings: Settings
    sample: int | None
    seed: int


@dataclass(frozen=True, slots=True)
class HitRow:
    """The states in which the cut hit one kind of sector: `torn`, or still as before."""

    sector_holds: str
    torn: bool
    states: int
    sound: int
    to_mend: int
    losing: int
    lost_bytes_max: int
    losing_when_mended: int
    lost_bytes_max_when_mended: int


@dataclass(frozen=True, slots=True)
class Worst:
    """A state that loses the most. `kept_bytes`: mended, so much is in files that have lost their names."""

    write: int
    operation: str
    name: str
    task: str
    sector: int
    sector_holds: str
    torn: bool
    files: int
    lost_bytes: int
    kept_bytes: int


@dataclass(frozen=True, slots=True)
class CardCutReport:
    """`faults`: what a check finds, in how many states. `loses_untorn`: states that lose something although each
    sector is old or new; `not_mended`: those in which a check finds something after mending. There should be none of
    both."""

    subject: CardSubject
    states: int
    rows: tuple[HitRow, ...]
    faults: dict[str, int]
    worst: Worst | None
    worst_when_mended: Worst | None
    loses_untorn: int
    not_mended: int

    @property
    def broken(self) -> bool:
        return bool(self.loses_untorn or self.not_mended)


def card_cut_report(
    history: CardHistory, found: CardCampaign, store: AnyStore, *, source: str, kind: str, sample: int | None, seed: int
) -> CardCutReport:
    """The report on a campaign; `store` is the one of the run."""
    medium = store.medium
    subject = CardSubject(
        history.title, source, kind, len(history.operations), len(history.writes), medium.name, medium.block_count,
        medium.block_bytes, store.settings, sample, seed,
    )  # fmt: skip
    keys = [(what, torn) for what in HITS for torn in (False, True) if (what, torn) in found.hits]
    return CardCutReport(
        subject=subject,
        states=found.states,
        rows=tuple(_row(*key, found.hits[key]) for key in keys),
        faults=dict(found.faults.most_common()),
        worst=_worst(found.worst, when_mended=False),
        worst_when_mended=_worst(found.worst_after, when_mended=True),
        loses_untorn=sum(hit.losing for (_, torn), hit in found.hits.items() if not torn),
        not_mended=len(found.not_mended),
    )


def _row(what: str, torn: bool, hit: Hit) -> HitRow:
    return HitRow(
        what, torn, hit.states, hit.sound, hit.to_mend, hit.losing, hit.lost_bytes_max, hit.losing_after,
        hit.lost_bytes_max_after,
    )  # fmt: skip


def _worst(state: CutState | None, *, when_mended: bool) -> Worst | None:
    if state is None:
        return None
    lost = state.after if when_mended else state.lost
    return Worst(
        state.write, state.done.operation, state.done.name, state.done.task, state.sector, state.hit, state.torn,
        len(lost), sum(lost.values()), state.kept_bytes,
    )  # fmt: skip
