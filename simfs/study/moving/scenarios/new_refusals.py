"""Operations of a scenario that the new store refuses and the old one did not, each with what helps."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.files.contract import AnyStore
from simfs.study.moving import refusals
from simfs.study.moving.findings import REFUSED, Change, Finding
from simfs.study.moving.names import apart, shorter, without
from simfs.study.moving.refusals import Fix, over_bytes
from simfs.study.moving.scenarios.runs import Moved
from simfs.study.moving.trials import Settings
from simfs.study.moving.tries import TROUBLE
from simfs.study.moving.watch import Deeds

NO_SHORTER = "the text of the name has not enough to give: raise store.name_bytes"


def new_refusals(it: Moved) -> Iterator[Finding]:
    """A finding for each place, operation and error."""
    for key, deeds in it.after.deeds.items():
        old = it.before.deeds.get(key)
        for number, times in deeds.refused.items():
            if times > (old.refused[number] if old else 0):
                yield _finding(it, deeds, number)


def _finding(it: Moved, deeds: Deeds, number: int) -> Finding:
    store, name = it.run.store, deeds.refused_names[number]
    kind = refusals.kind_of(number)
    fix, tried, untried = _fix(it, kind, deeds.place, name)
    return Finding(
        level=REFUSED,
        kind=kind,
        line=it.places.line(deeds.place),
        place=deeds.place,
        seen=refusals.seen(deeds, number),
        happens=_room_told(it, name) if kind == refusals.ROOM else refusals.happens(kind, name, store),
        fix=fix,
        tried=tried,
        untried=untried,
    )


def _fix(it: Moved, kind: str, place: str, name: str) -> Fix:
    if kind == refusals.ROOM:
        _, words, tried = it.trials.enough_room()
        return (words, tried, "") if words else ("keep fewer or shorter files", (), "no larger store was enough")
    if kind == refusals.FOLLOWS:
        return "goes with what is refused before it", (), "see there"
    pattern = it.places.pattern(place, name)
    if pattern is None:
        return "change the name that the program gives", (), "no operation of the scenario gives it"
    text = pattern.text
    new = _other_name(kind, text, name, it.run.store)
    if new is None or new == text:
        return (
            (NO_SHORTER, *_with_longer(it, name))
            if kind == refusals.TOO_LONG
            else ("", (), "nothing that helps is known")
        )
    return with_name(it, text, new)


def with_name(it: Moved, old: str, new: str) -> Fix:
    """The fix that gives files another name."""
    settings = it.trials.renamed(old, new)
    tried = it.trials.mended(settings, TROUBLE)
    return f'name it "{new}" in place of "{old}"', tried, "" if tried else "it changes nothing alone"


def _other_name(kind: str, text: str, name: str, store: AnyStore) -> str | None:
    if kind == refusals.TOO_LONG:
        return shorter(text, over_bytes(name, store))
    if kind == refusals.SIGNS:
        return without(text, refusals.refused_signs(name, store))
    return apart(text, 2) if kind == refusals.DIRECTORY else None


def _with_longer(it: Moved, name: str) -> tuple[tuple[Change, ...], str]:
    """Names of more bytes, tried."""
    wanted = len(name.encode("utf-8", "surrogateescape")) + 1
    settings: Settings = [(("store", "name_bytes"), wanted)]
    tried = it.trials.mended(settings, (*TROUBLE, "ram_bytes"))
    return tried, "" if tried else "no store of ours has names so long"


def _room_told(it: Moved, name: str) -> str:
    """Whether all files together are too much, or this one alone."""
    store, old = it.run.store, it.was.store
    empty_bytes, _ = store.file_room()
    size_bytes = old.stat(name).size_bytes if old.exists(name) else 0
    if size_bytes > empty_bytes:
        return f"the file alone has {size_bytes:,} bytes, and the empty store takes {empty_bytes:,}"
    held = sum(old.stat(one).size_bytes for one in old.names())
    return f"the files have {held:,} bytes at the end, and the store takes {store.usage().capacity_bytes:,} with names"
