"""Calls of a recorded program that a store with fopen's modes, without directories and times, has nothing for."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.replay.device.observer import RecordedCall
from simfs.study.moving.findings import ADVICE, LOST, Finding
from simfs.study.moving.recordings.replayed import RecordedMove
from simfs.study.moving.refusals import counted

WRITING = {"O_WRONLY", "O_RDWR"}
DECIDED = {"O_TRUNC", "O_APPEND", "O_EXCL"}
SYNCED = {"O_SYNC", "O_DSYNC"}
THE_PROGRAM = "the program has to change for it"
NOTHING = "nothing has to change"
NO_LINKS = "has no links"

TIMES = {
    "flash": "no file time is on the flash",
    "card": "the driver has no clock: each file has the date 1980-01-01",
}
DIRECTORIES = {
    "directory made": ("a directory is made", "leave it out: names below it carry the path"),
    "directory removed": ("a directory is removed", "leave it out: it is gone with its last file"),
    "directory listed": ("a directory is listed", 'ask for the names that begin with the path and a slash: "{name}/"'),
}


def told_calls(it: RecordedMove) -> Iterator[Finding]:
    """What the calls show of modes, directories, times, and of what could not be replayed."""
    yield from _modes(it.watch.calls)
    yield from _directories(it)
    yield from _times(it)
    yield from _not_replayed(it)


def _not_replayed(it: RecordedMove) -> Iterator[Finding]:
    """What the replay had to leave out. A link is lost for sure; of anything else nobody can tell."""
    for skipped in it.run.skipped:
        links = NO_LINKS in skipped.what
        yield Finding(
            LOST if links else ADVICE, "a link" if links else "not replayed", skipped.line, "",
            f"{skipped.what}{f', {skipped.count:,} times' if skipped.count > 1 else ''}",
            "the name is not there" if links else "what it does was not tried on the new store",
            "give the file one name" if links else "see what it is for, and try it on the device",
            untried=THE_PROGRAM,
        )  # fmt: skip


def _modes(calls: list[RecordedCall]) -> Iterator[Finding]:
    """Files that are opened to be written with neither O_TRUNC nor O_APPEND, by where the first write begins; one
    finding for each name and kind."""
    seen: set[tuple[str, str]] = set()
    opened: dict[str, RecordedCall] = {}
    for call in calls:
        if call.kind == "open":
            if call.flags & WRITING and not call.flags & DECIDED and call.size_bytes:
                opened[call.name] = call
            else:
                opened.pop(call.name, None)
        elif call.kind == "write" and call.name in opened:
            first = opened.pop(call.name)
            at_end = call.at is not None and call.at == call.size_bytes
            kind = "append without append mode" if at_end else "opened to be written over"
            if at_end or "O_CREAT" in first.flags:
                if (call.name, kind) not in seen:
                    yield _mode(first, call, kind, at_end)
                seen.add((call.name, kind))


def _mode(opened: RecordedCall, write: RecordedCall, kind: str, at_end: bool) -> Finding:
    flags = "|".join(sorted(opened.flags & (WRITING | {"O_CREAT"})))
    held = f"{opened.size_bytes:,} bytes"
    seen = f"{opened.name} has {held} when it is opened with {flags}, and line {write.line} writes at {write.at:,}"
    if at_end:
        happens = f'"w" would empty it and lose the {held}; "r+" writes at the start unless the program seeks first'
        return Finding(ADVICE, kind, opened.line, opened.name, seen, happens, 'open it with "a"', untried=THE_PROGRAM)
    happens = f'no mode of fopen does that: "w" loses the {held}, "a" writes behind them, "r+" does not make the file'
    fix = 'open it with "r+", and with "w" only where that fails because it is not there'
    return Finding(LOST, kind, opened.line, opened.name, seen, happens, fix, untried=THE_PROGRAM)


def _directories(it: RecordedMove) -> Iterator[Finding]:
    """One finding for each kind of call and directory."""
    if it.run.store.medium.kind != "flash":
        return  # a card has directories
    first: dict[tuple[str, str], RecordedCall] = {}
    for call in it.watch.calls:
        if call.kind in DIRECTORIES and (call.kind == "directory listed" or call.name != "/"):
            first.setdefault((call.kind, call.name.rstrip("/")), call)
    names, removed = it.run.store.names(), {name for kind, name in first if kind == "directory removed"}
    for (kind, name), call in first.items():
        seen, fix = DIRECTORIES[kind]
        below = sum(one.startswith(f"{name}/") for one in names)
        used = any(place.startswith(f"{name}/") for place, _ in it.watch.deeds)
        empty = kind == "directory made" and not used and name not in removed
        happens = f"names are flat on flash; {counted(below, 'name')} at the end with the path {name}/"
        if empty:
            happens = "it holds no file at the end, so nothing of it is left"
        yield Finding(
            LOST if empty else ADVICE, kind, call.line, call.name, seen, happens, fix.format(name=name),
            untried=THE_PROGRAM if empty else NOTHING,
        )  # fmt: skip


def _times(it: RecordedMove) -> Iterator[Finding]:
    """One finding for all."""
    found = [call for call in it.watch.calls if call.kind == "times set"]
    if found:
        names = {call.name for call in found}
        yield Finding(
            LOST, "times are not kept", found[0].line, found[0].name,
            f"{counted(len(found), 'call')} set the times of {counted(len(names), 'name')}",
            f"{TIMES[it.run.store.medium.kind]}, and nothing can be told from it later",
            "write the time into the file or into its name", untried=THE_PROGRAM,
        )  # fmt: skip
