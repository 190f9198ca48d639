"""Calls of a recording that the new store refuses, and names that it cuts or takes for one, each with what helps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from simfs.replay.device.notes import NameFault
from simfs.study.moving import refusals
from simfs.study.moving.findings import LOST, REFUSED, Change, Finding
from simfs.study.moving.names import apart, shorter, without
from simfs.study.moving.recordings.replayed import RecordedMove
from simfs.study.moving.refusals import ONE_FILE, Fix, over_bytes
from simfs.study.moving.tries import MEMORY, TROUBLE
from simfs.study.moving.watch import Deeds

NAME_BYTES_MAX = 256
OPEN_FILES_TRIED = (16, 32, 64, 128)
THE_PROGRAM = "the program gives the name"


@dataclass(slots=True)
class _Group:
    """All refusals of one kind: those that came first, and on how many files."""

    number: int
    deeds: list[Deeds] = field(default_factory=list)

    @property
    def first(self) -> Deeds:
        return min(self.deeds, key=lambda one: one.refused_lines[self.number])


def recorded_refusals(it: RecordedMove) -> Iterator[Finding]:
    """A finding for each kind of refusal."""
    groups: dict[str, _Group] = {}
    for deeds in it.watch.deeds.values():
        for number in deeds.refused:
            groups.setdefault(refusals.kind_of(number), _Group(number)).deeds.append(deeds)
    for kind, group in groups.items():
        yield _refused(it, kind, group)


def _refused(it: RecordedMove, kind: str, group: _Group) -> Finding:
    first, number = group.first, group.number
    times = sum(deeds.refused[number] for deeds in group.deeds)
    names = {deeds.place for deeds in group.deeds}
    told = f"{first.operation} was refused with {refusals.error_name(number)}, first of {first.refused_names[number]}"
    fix, tried, untried = _fix(it, kind, names)
    return Finding(
        level=REFUSED,
        kind=kind,
        line=first.refused_lines[number],
        place=first.place,
        seen=f"{told}; {refusals.counted(times, 'call')} on {refusals.counted(len(names), 'name')} in all",
        happens=refusals.happens(kind, first.refused_names[number].partition(" -> ")[0], it.run.store),
        fix=fix,
        tried=tried,
        untried=untried,
    )


def _fix(it: RecordedMove, kind: str, names: set[str]) -> Fix:
    longest = max((part for name in names for part in name.split(" -> ")), key=lambda name: len(name.encode()))
    if kind == refusals.TOO_LONG:
        return _longer_names(it, longest)
    if kind == refusals.SIGNS:
        signs = refusals.refused_signs(longest, it.run.store)
        return f'name it "{without(_literal(longest), signs)}"', (), THE_PROGRAM
    if kind == refusals.OPEN:
        return _more_open(it)
    if kind == refusals.ROOM:
        _, words, tried = it.trials.enough_room()
        return (words, tried, "") if words else ("keep fewer or shorter files", (), "no larger store was enough")
    if kind == refusals.DIRECTORY:
        return f'name it "{apart(longest, 2)}"', (), THE_PROGRAM
    return "goes with what is refused before it", (), "see there"


def _longer_names(it: RecordedMove, longest: str) -> Fix:
    """Names of more bytes, which can be tried; a shorter name, which only the program can give."""
    size_bytes = len(longest.encode("utf-8", "surrogateescape")) + 1
    short = shorter(_literal(longest), over_bytes(longest, it.run.store))
    named = f'name it "{short}", or ' if short else ""
    if size_bytes > NAME_BYTES_MAX:
        return f"{named}make the path shorter", (), THE_PROGRAM
    tried = it.trials.mended([(("store", "name_bytes"), size_bytes)], MEMORY)
    return f"{named}store.name_bytes = {size_bytes}", tried, "" if tried else THE_PROGRAM


def _more_open(it: RecordedMove) -> Fix:
    """The least of some numbers of open files beyond which no more helps."""
    best: tuple[Change, ...] = ()
    enough, least = 0, None
    for count in OPEN_FILES_TRIED:
        if count <= it.scenario.store.open_files_max:
            continue
        tried = it.trials.tried([(("store", "open_files_max"), count)], MEMORY)
        refused = next((change.after for change in tried if change.name == "refused_operations"), None)
        if refused is None or (least is not None and refused >= least):
            break
        best, enough, least = tried, count, refused
    if best:
        it.trials.mended([(("store", "open_files_max"), enough)], MEMORY)
    else:
        return "close files sooner", (), "no number of open files that was tried is enough"
    return f"close files sooner, or store.open_files_max = {enough}", best, ""


def recorded_names(it: RecordedMove) -> Iterator[Finding]:
    """Names that the new store cuts, or takes for one, while the host kept them apart: a finding for each kind."""
    groups: dict[str, list[NameFault]] = {}
    for fault in it.run.name_faults:
        same = ONE_FILE in fault.why
        if fault.breaks and (same or it.run.store.name_rules.overlong == "cut"):
            groups.setdefault(refusals.SAME if same else refusals.CUT, []).append(fault)
    for kind, faults in groups.items():
        yield _broken(it, kind, faults)


def _broken(it: RecordedMove, kind: str, faults: list[NameFault]) -> Finding:
    first, longest = faults[0], max((fault.name for fault in faults), key=len)
    more = f"; so {refusals.counted(len(faults), 'name')} in all" if faults[1:] else ""
    if over_bytes(longest, it.run.store) > 0:
        fix, tried, untried = _longer_names(it, longest)
    else:
        fix = f'name it "{apart(first.name, 2)}"'
        tried, untried = _without_folding(it)
    return Finding(
        LOST, kind, min(it.line_of(fault.name) for fault in faults), first.name,
        f"{first.name}: {first.why}{more}", first.what_happens, fix, tried, untried,
    )  # fmt: skip


def _without_folding(it: RecordedMove) -> tuple[tuple[Change, ...], str]:
    """Whether case counts is a setting of a store on flash alone."""
    if it.run.store.medium.kind == "card":
        return (), THE_PROGRAM
    tried = it.trials.mended([(("store", "fold_case"), False)], TROUBLE)
    return tried, "" if tried else THE_PROGRAM


def _literal(name: str) -> str:
    """A name as a pattern without placeholders."""
    return name.replace("{", "{{").replace("}", "}}")
