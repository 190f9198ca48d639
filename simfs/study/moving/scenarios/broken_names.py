"""Names that the new store cuts, or takes for one, without refusing anything: what was in one file is lost."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.replay.device.notes import NameFault
from simfs.study.moving import refusals
from simfs.study.moving.findings import LOST, Finding
from simfs.study.moving.names import apart, shorter
from simfs.study.moving.refusals import FOLDED, ONE_FILE, Fix, over_bytes
from simfs.study.moving.scenarios.new_refusals import NO_SHORTER, with_name
from simfs.study.moving.scenarios.runs import Moved


def broken_names(it: Moved) -> Iterator[Finding]:
    """A finding for each place and kind, with the first name and how many there are."""
    known = {(fault.name, fault.why) for fault in it.was.name_faults}
    groups: dict[tuple[str, str], list[NameFault]] = {}
    for fault in it.run.name_faults:
        kind = _kind(it, fault)
        if fault.breaks and kind and (fault.name, fault.why) not in known:
            groups.setdefault((it.places.that_names(fault.name), kind), []).append(fault)
    for (place, kind), faults in groups.items():
        yield _finding(it, place, kind, faults)


def split_files(it: Moved) -> Iterator[Finding]:
    """Names that the old store took for one file because it folds case, and the new one keeps apart. Where it had cut
    them, the move mends what the firmware never meant."""
    still_one = {fault.name for fault in it.run.name_faults}
    groups: dict[str, list[NameFault]] = {}
    for fault in it.was.name_faults:
        if fault.name not in still_one and FOLDED in fault.why:
            groups.setdefault(it.places.that_names(fault.name), []).append(fault)
    for place, faults in groups.items():
        fault = faults[0]
        tried = it.trials.mended([(("store", "fold_case"), True)], ("files",))
        yield Finding(
            LOST, "one file becomes two", it.places.line(place), place,
            f"{fault.name}: on {it.was.store.medium.kind} {fault.why}{_in_all(faults)}",
            "there are two files now, each with a part of what was in the one",
            "spell the name alike everywhere, or store.fold_case = true", tried,
            "" if tried else "the new store has no such setting",
        )  # fmt: skip


def _kind(it: Moved, fault: NameFault) -> str:
    """ "" for a name that is refused: the refusals tell of it."""
    if over_bytes(fault.name, it.run.store) <= 0 or ONE_FILE in fault.why:
        return refusals.SAME
    return refusals.CUT if it.run.store.name_rules.overlong == "cut" else ""


def _finding(it: Moved, place: str, kind: str, faults: list[NameFault]) -> Finding:
    first = faults[0]
    fix, tried, untried = _fix(it, place, kind, max((fault.name for fault in faults), key=len))
    return Finding(
        level=LOST,
        kind=kind,
        line=it.places.line(place),
        place=place,
        seen=f"{first.name}: {first.why}{_in_all(faults)}",
        happens=first.what_happens,
        fix=fix,
        tried=tried,
        untried=untried,
    )


def _in_all(faults: list[NameFault]) -> str:
    return f"; so {refusals.counted(len(faults), 'name')} in all" if faults[1:] else ""


def _fix(it: Moved, place: str, kind: str, name: str) -> Fix:
    pattern = it.places.pattern(place, name)
    if pattern is None:
        return "give the file another name", (), "no operation of the scenario gives it"
    over = over_bytes(name, it.run.store)
    new = shorter(pattern.text, over) if over > 0 else apart(pattern.text, 2)
    return (NO_SHORTER, (), "") if new is None else with_name(it, pattern.text, new)
