"""The verdict of a run in two to four sentences: whether the files fit and until when, what ends first, what did not go
as expected, and what to do."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_YEAR, YEARS_SHOWN_MAX
from simfs.show import MORE_ROOM, units
from simfs.show.ending.both import both_sentences
from simfs.show.ending.when import when
from simfs.study.run.expect import Verdict
from simfs.study.run.figures import Figures, Outlook
from simfs.study.run.region_wear import RegionWear, first_worn

LIFE_YEARS_SHOWN = 100  # beyond, a date says nothing


def verdict_of(figures: Figures, verdicts: tuple[Verdict, ...]) -> str:
    """On one line, with the dates of the device's clock."""
    unmet = [verdict for verdict in verdicts if not verdict.met]
    fate = [_room(figures, _expects_refusals(verdicts)), _wear(figures)]
    if figures.both is not None:
        fate = [*both_sentences(figures)]
    sentences = [*fate, _region(figures), _unmet(figures, unmet), _advice(figures, unmet)]
    return " ".join(sentence for sentence in sentences if sentence)


def _on(figures: Figures, at_ns: int) -> str:
    return f"{'on ' if figures.subject.start_ns and at_ns else ''}{when(figures, at_ns)}"


def _expects_refusals(verdicts: tuple[Verdict, ...]) -> bool:
    return any(verdict.name == "refused_max" and verdict.met and verdict.measured for verdict in verdicts)


def _room(figures: Figures, expected: bool) -> str:
    room, outlook, done = figures.room, figures.outlook, figures.subject.operations
    if not done and (outlook is None or not outlook.carried_on_ns):
        return "Nothing was done to the files, so this run tells nothing of them."
    if figures.trouble.refused_operations == done and (outlook is None or outlook.full_ns is None):
        return "Whether the files fit is not known: all that was done to them was refused."
    if outlook is None:
        return f"The files take {units.percent(room.live_max_percent)} of the room at most."
    if outlook.full_ns is not None:
        return _full(figures, outlook, outlook.full_ns, expected)
    percent = units.percent(100 * outlook.live_max_bytes / room.capacity_bytes)
    how = "they grow no more"
    if outlook.grows:
        how = "they still grow, but too little to tell when it is full"
    elif outlook.telling_ns:
        how = f"they do not grow as far as this run shows; one of {units.time(outlook.telling_ns)} would be sure"
    return f"The files fit: they take {percent} of the room at most, and {how}{_carried(outlook)}."


def _full(figures: Figures, outlook: Outlook, full_ns: int, expected: bool) -> str:
    if full_ns <= figures.subject.duration_ns and expected:
        return f"The store is full {_on(figures, full_ns)}, and refuses no more than the scenario expects."
    if full_ns <= figures.subject.duration_ns:
        return f"The files do not fit: the store is full {_on(figures, full_ns)}."
    if outlook.is_projected:
        about = when(figures, full_ns, roughly=True)
        return f"The files fit for now: at the pace of this run the store is full {about}, unless files go."
    return f"The files fit until {when(figures, full_ns)}: then the store is full unless files go{_carried(outlook)}."


def _carried(outlook: Outlook) -> str:
    return " (seen by carrying the run on)" if outlook.carried_on_ns else ""


def _wear(figures: Figures) -> str:
    life, outlook = figures.best_life, figures.outlook
    if life is None:
        return ""
    if life.hottest_ns is None:
        return "Nothing was erased that would wear the flash." if life.run_ns else ""
    if not life.hottest_ns:
        return f"The flash is worn: a block has had its rated {life.rated_cycles:,} erases before the run ends."
    worn_ns = life.run_ns + life.hottest_ns
    span = units.years(life.hottest_ns)
    dated = life.hottest_ns < LIFE_YEARS_SHOWN * NS_PER_YEAR
    until = f", until {when(figures, worn_ns, roughly=True).partition(',')[0]}" if dated else ""
    pace, rest = _pace(figures)
    return f"The flash lasts {span} at {pace}{until}{_ends_first(outlook, worn_ns)}.{rest}"


def _ends_first(outlook: Outlook | None, worn_ns: int) -> str:
    """By the life that the sentence gives, which a longer run may see otherwise."""
    if outlook is None or outlook.full_ns is None:
        return ""
    return "; wear ends first" if worn_ns < outlook.full_ns else "; room ends first"


def _pace(figures: Figures) -> tuple[str, str]:
    """What the pace is, and what to say of it: of a short recording it may be that of a host."""
    subject = figures.subject
    if subject.kind != "recording" or subject.duration_ns >= NS_PER_DAY:
        return "this pace", ""
    rest = " It lasts longer where the device takes longer for that work than a host (--takes)."
    return f"the pace of this recording of {units.time(subject.duration_ns)}", rest


def _worn_before_the_store(figures: Figures) -> RegionWear | None:
    """The region whose blocks are worn first, where that is before the store's."""
    first, life = first_worn(figures.regions), figures.best_life
    if first is None or (life is not None and life.hottest_ns is not None and life.hottest_ns <= first.life_ns):
        return None
    return first if first.life_ns < YEARS_SHOWN_MAX * NS_PER_YEAR else None


def _region(figures: Figures) -> str:
    first = _worn_before_the_store(figures)
    if first is None:
        return ""
    return f'The region "{units.plain(first.name)}" wears out before the store, after {units.years(first.life_ns)}.'


def _unmet(figures: Figures, unmet: list[Verdict]) -> str:
    told = [*_surprises(figures, [verdict.name for verdict in unmet if verdict.by_default])]
    names = [verdict.name for verdict in unmet if not verdict.by_default]
    told += [f"not met: {', '.join(names)}"] if names else []
    text = "; ".join(told)
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _surprises(figures: Figures, names: list[str]) -> Iterator[str]:
    trouble, asked_ns = figures.trouble, figures.subject.duration_ns - figures.trouble.late_ns
    if "refused_max" in names:
        of = f"{trouble.refused_operations:,} of {units.counted(figures.subject.operations, 'operation')}"
        yield f"{of} were refused, which the scenario does not expect"
    if "late_max" in names:
        spent = units.time(figures.subject.duration_ns)
        medium = figures.subject.settings.medium
        yield f"the device asks for more than its {medium} can do: the work of {units.time(asked_ns)} takes {spent}"
    if "lost_records_max" in names:
        yield f"{units.counted(trouble.lost_records, 'gathered record')} got lost in RAM at a boot"
    if "names_fit" in names:
        yield "names break"
    if "writable" in names:
        yield "the next mount finds a store that can't be written"


ADVICE = {  # by what is not met, the first that applies
    "late_max": "Ask for less, gather more before each write, or take a quicker part.",
    "names_fit": "Shorten the names, or raise name_bytes.",
    "lost_records_max": "Write what is gathered before a boot, or gather less.",
    "lost_readings_max": "Show with a light when the card is written to, or keep readings on the flash for longer.",
    "writable": "`simfs image explain` tells what damaged it.",
    "life_min": "Write less, gather more before each write, or give the store more blocks.",
}
REWRITE_LESS = "Rewrite that region less often, or give it more blocks and more turns."
A_LARGER_CARD = "Remove old files in time (`keep`), write less, or take a larger card."


def _more_room(figures: Figures) -> str:
    on_card, outlook = figures.on_card, figures.outlook
    if on_card is not None and outlook is not None and on_card.outlook is not None:
        return A_LARGER_CARD if on_card.outlook.full_ns == outlook.full_ns else MORE_ROOM
    return MORE_ROOM if figures.subject.settings.erases else A_LARGER_CARD


def _advice(figures: Figures, unmet: list[Verdict]) -> str:
    names, outlook = {verdict.name for verdict in unmet}, figures.outlook
    advice = ADVICE | ({"life_min": REWRITE_LESS} if _worn_before_the_store(figures) else {})
    found = [what for name, what in advice.items() if name in names]
    full_ns = outlook.full_ns if outlook is not None else None
    if full_ns is not None and ("refused_max" in names or full_ns > figures.subject.duration_ns):
        found.append(_more_room(figures))
    if not found and names:
        return "The rows with ! say more."
    return found[0] if found else ""
