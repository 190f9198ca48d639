"""What becomes of directories, which flash does not have and a card makes by itself."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.study.moving.findings import ADVICE, Finding
from simfs.study.moving.refusals import counted
from simfs.study.moving.scenarios.runs import Moved

MAKING = ("append", "write", "create", "rename")
NO_TRY = "nothing has to change"
LISTED_BY_PREFIX = "ask for the directory with its slash at the end, and leave out what lies deeper"


def directories(it: Moved) -> Iterator[Finding]:
    """One finding for each directory at the top, at the first place that names a file in it, and one for each list that
    gives more than a directory has."""
    below: dict[str, dict[str, str]] = {}  # by name, its place
    for deeds in it.after.deeds.values():
        for name in deeds.names if deeds.operation in MAKING else ():
            top, slash, _ = name.lstrip("/").partition("/")
            if slash:
                below.setdefault(top, {}).setdefault(name, deeds.place)
    for top, names in below.items():
        yield _of_directory(it, top, names)
    for deeds in it.after.deeds.values():
        if deeds.operation == "list":
            yield from _of_list(it, deeds.place, next(iter(deeds.names)))


def _of_directory(it: Moved, top: str, names: dict[str, str]) -> Finding:
    place = next(iter(names.values()))
    medium, rules = it.run.store.medium, it.run.store.name_rules
    longest = max(names, key=len)
    if medium.kind == "flash":
        happens = (
            f"no directory is made or removed, it goes with its last file; the path is part of the name, and the "
            f"longest has {len(longest.encode()):,} of {rules.limit_bytes - 1:,} bytes"
        )
    else:
        happens = (
            f"the driver makes the directory with its first file, and it stays when the last one goes; it takes a "
            f"cluster of {medium.block_bytes:,} bytes"
        )
    held = f"{counted(len(names), 'name')} below /{top} in the run"
    return Finding(
        ADVICE, "directory", it.places.line(place), place, held, happens,
        "leave out what makes and removes directories", untried=NO_TRY,
    )  # fmt: skip


def _of_list(it: Moved, place: str, prefix: str) -> Iterator[Finding]:
    """On flash a list is of names that begin alike; a directory has fewer."""
    if it.run.store.medium.kind != "flash":
        return
    folder = prefix.rstrip("/") + "/"
    names = it.run.store.names(prefix)
    others = [name for name in names if not name.startswith(folder) or "/" in name[len(folder) :]]
    told = counted(len(names), "name")
    if others:
        yield Finding(
            ADVICE, "directory listed", it.places.line(place), place,
            f'a list of "{prefix}" gives {told}, {len(others):,} not in that directory, such as {others[0]}',
            "names are flat here: all that begin so are listed", LISTED_BY_PREFIX, untried=NO_TRY,
        )  # fmt: skip
