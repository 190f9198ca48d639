"""What comes if a device goes on as in a run: when its store is full, and how long its flash lasts.

A scenario is carried on as far as that is cheap. Otherwise, and for a recording or a script, the room is projected from
its pace.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from simfs.replay.device.device import Run
from simfs.replay.device.notes import Going, Refusal
from simfs.replay.player.player import NEVER_NS
from simfs.study.run.figures import Figures, Outlook
from simfs.study.run.measure import figures

PROGRAMS_MAX = 150_000  # a few seconds of work; a store that fills up needs twice as many where it is nearly full
CARD_PROGRAMS_MAX = 15_000  # the same on a card, whose sectors go one by one
OPERATIONS_MAX = 500_000  # the same, of those that program nothing
PACE_MIN = 500  # programs or operations: fewer tell no pace


def with_outlook(run: Run, taken: Figures) -> Figures:
    """The figures with what comes after the run. Plays the run again and on where something is unknown, which takes at
    most a few seconds; whether it does follows from the run alone."""
    if run.sides is not None:
        return _of_both(run.sides, taken)
    outlook = _seen(run, taken)
    longer_ns = _longer_ns(taken, outlook)
    affordable_ns = _affordable_ns(run, taken)
    if longer_ns > affordable_ns:  # less shows whether the files grow on, and hardly anything else
        longer_ns = affordable_ns // 2 if outlook.is_projected else 0
    if run.go_on is not None and longer_ns > run.duration_ns:
        whole = run.go_on(_is_enough(longer_ns, run.period_ns, _programs_max(taken)))
        further = _seen(whole, figures(whole))
        outlook = replace(further, carried_on_ns=whole.duration_ns - run.duration_ns)
    return replace(taken, outlook=outlook)


def _of_both(sides: tuple[Run, Run], taken: Figures) -> Figures:
    """The outlook of flash and card, each as the run alone tells; that of the whole is of the one that is full first.
    The run is not carried on, since nobody knows when the card is taken out then."""
    assert taken.on_flash is not None
    assert taken.on_card is not None
    on_flash = replace(taken.on_flash, outlook=_seen(sides[0], taken.on_flash))
    on_card = replace(taken.on_card, outlook=_seen(sides[1], taken.on_card))
    outlooks = [one.outlook for one in (on_flash, on_card) if one.outlook is not None]
    first = min(outlooks, key=lambda one: NEVER_NS if one.full_ns is None else one.full_ns)
    return replace(taken, on_flash=on_flash, on_card=on_card, outlook=replace(first, life=taken.life))


def _longer_ns(taken: Figures, outlook: Outlook) -> int:
    """How long a run would have to be to tell what this one can't; 0 where it tells."""
    if outlook.full_ns is not None:
        return outlook.full_ns if outlook.is_projected else 0
    if taken.trouble.refused_operations and not taken.flash_work.programs:
        return 0  # what is always refused fills nothing, however long it goes on
    life = taken.life
    unworn = life is not None and life.hottest_ns is None and taken.flash_work.programs
    longer_ns = 2 * (life.run_longer_ns or 0) if life is not None and unworn else 0
    return max(longer_ns, outlook.telling_ns)


def _affordable_ns(run: Run, taken: Figures) -> int:
    """How long a run can be that takes a few seconds."""
    of_each = ((_programs_max(taken), taken.flash_work.programs), (OPERATIONS_MAX, taken.subject.operations))
    affordable_ns = [run.duration_ns * most // done for most, done in of_each if done >= PACE_MIN]
    return min(affordable_ns, default=NEVER_NS)


def _programs_max(taken: Figures) -> int:
    return PROGRAMS_MAX if taken.card is None else CARD_PROGRAMS_MAX


def _is_enough(longer_ns: int, period_ns: int, programs_max: int) -> Callable[[Going], bool]:
    def is_enough(going: Going) -> bool:
        programs = sum(tally.programs for tally in going.tasks.values())
        operations = sum(tally.operations.total() for tally in going.tasks.values())
        if programs > 2 * programs_max or operations > 2 * OPERATIONS_MAX or _full_ns(going.refusals) is not None:
            return True
        gone_ns = going.now_ns - going.start_ns
        grows = going.room.growth(gone_ns, period_ns) is not None
        return not grows if gone_ns >= longer_ns else not grows and programs > programs_max

    return is_enough


def _seen(run: Run, taken: Figures) -> Outlook:
    """What the run alone tells."""
    full_ns, growth = _full_ns(run.refusals), run.room.growth(run.duration_ns, run.period_ns)
    projected_ns = None
    if full_ns is None and growth is not None:
        more_bytes, in_ns = growth
        free_bytes = max(0, taken.room.capacity_bytes - run.room.newest_most())
        projected_ns = run.duration_ns + free_bytes * in_ns // more_bytes if more_bytes > 0 else None
    return Outlook(
        full_ns=projected_ns if full_ns is None else full_ns,
        is_projected=projected_ns is not None,
        grows=growth is not None,
        telling_ns=run.telling_ns if full_ns is None and run.duration_ns < run.telling_ns else 0,
        live_max_bytes=taken.room.live_max_bytes,
        carried_on_ns=0,
        life=taken.life,
    )


def _full_ns(refusals: list[Refusal]) -> int | None:
    return min((refusal.first_at_ns for refusal in refusals if refusal.error == "ENOSPC"), default=None)
