"""What must fit between the tables of a device that has flash and a card, and its tasks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simfs.files.both.notes import NOTES
from simfs.replay.scenario.media.both import Both, CardOut
from simfs.replay.scenario.tasks import FileOperation, Rename, Task
from simfs.replay.scenario.toml_lines import Path

Found = Iterator[tuple[Path, str]]

NAME_BYTES_MIN = len(NOTES) + 1
OF_READINGS = ("append", "read", "remove")


def both_faults(
    kind: str, name_bytes: int, both: Both | None, outs: Sequence[CardOut], tasks: Sequence[tuple[int, Task]]
) -> Found:
    """Path and fault of each contradiction; `both` is None where a scenario has no such table."""
    if kind != "both":
        for table, given in (("both", both), ("card_out", outs)):
            if given:
                yield (
                    (table,),
                    f'it is for a store of the kind "both", and this one is of the kind "{kind}"; leave it out',
                )
        return
    if both is None:
        yield ("both",), 'it is missing; write what the card is for, for example role = "mirror"'
        return
    if name_bytes < NAME_BYTES_MIN:
        what = f"the firmware's own notes are in a file of {NAME_BYTES_MIN} bytes with its terminator"
        yield ("store", "name_bytes"), f"{what}; write at least {NAME_BYTES_MIN}"
    yield from _task_faults(tuple(begin.lower() for begin in both.drained or ()), tasks)


def _task_faults(drained: tuple[str, ...], tasks: Sequence[tuple[int, Task]]) -> Found:
    """Readings that a buffer drains are only appended to; and the notes are the firmware's own."""
    for at, task in tasks:
        for position, operation in enumerate(task.operations):
            if not isinstance(operation, FileOperation):
                continue
            path: Path = ("task", at, "operations", position)
            names = {"file": operation.file} | ({"to": operation.to} if isinstance(operation, Rename) else {})
            for key, pattern in names.items():
                if pattern.text.lower() in (NOTES, NOTES[1:]):
                    yield (*path, key), f"{NOTES} is the file of the firmware's own notes; take another name"
                elif operation.do not in OF_READINGS and _from_root(pattern.text).startswith(drained or ("\0",)):
                    what = f"{pattern.text} is drained to the card, and what is drained is only appended to"
                    yield (*path, key), f"{what}, read and removed; take another name, or leave it out of both.drained"


def _from_root(name: str) -> str:
    return f"/{name.lstrip('/')}".lower()
