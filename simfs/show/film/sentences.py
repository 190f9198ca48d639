"""What an operation did to the flash, as one or two plain sentences."""

from __future__ import annotations

import errno
from collections.abc import Iterable, Iterator

from simfs.replay.device.observer import BOOT_TASK, IDLE_TASK
from simfs.show import units
from simfs.store.tables.blocks import State
from simfs.store.tables.listener import Cause
from simfs.study.film.steps import Action, Step

NAME_LETTERS_MAX = 60
BECOMES = {
    State.OPEN: "is opened for writing",
    State.CLOSED: "is full and closed",
    State.BAD: "has failed and is never used again",
    State.DAMAGED: "has bytes that can't be read, and is left as it is",
}
MOVES = {
    Cause.RELOCATION: "the cleaner moves what is live to {pages}",
    Cause.LEVELLING: "wear levelling moves what has rested to {pages}",
}
WRITES = {
    Cause.DATA: "the bytes go to {pages}",
    Cause.NAME: "the name goes to {pages}",
    Cause.LOG_RECORD: "a record of the log goes to {pages}",
    Cause.RECOVERY: "the mount writes to {pages}",
}


def sentence(step: Step, block_bytes: int, page_bytes: int) -> str:
    """The whole: what was asked for, what was done, and what came of it."""
    done = list(_done(step.actions, block_bytes, page_bytes))
    ended = "; then the power is cut" if step.cut else ""
    if step.refused:
        name = errno.errorcode.get(step.refused, str(step.refused))
        ended = f"; it is refused with {name}{_because(name)}"
    told = ", ".join(done) if done else "nothing is programmed" if not step.refused else "nothing is changed"
    return f"{_asked(step)}: {told}{ended}."


def _asked(step: Step) -> str:
    name = units.plain(step.name, NAME_LETTERS_MAX)
    if step.task == BOOT_TASK:
        return "Boot and mount"
    if step.task == IDLE_TASK:
        return "Idle time"
    size = f" of {units.counted(step.host_bytes, 'byte')}" if step.host_bytes else ""
    preposition = (" in" if step.operation == "update" else " to") if size or step.operation == "append" else ""
    return f"{step.operation.capitalize()}{size}{preposition} {name}".rstrip()


def _because(name: str) -> str:
    return {"ENOSPC": ", since the store is full", "ENOENT": ", since there is no such file"}.get(name, "")


def _done(actions: Iterable[Action], block_bytes: int, page_bytes: int) -> Iterator[str]:
    """What was done, in its order; programs of one cause in one block that follow each other are told together."""
    pages: list[int] = []
    last: tuple[int, Cause] | None = None
    for action in actions:
        block = action.address // block_bytes
        cause = action.cause
        if action.length and cause is not None:
            if last is not None and last != (block, cause):
                yield _programmed(last, pages)
                pages = []
            last = block, cause
            pages += _pages(action, block_bytes, page_bytes)
            continue
        if last is not None:
            yield _programmed(last, pages)
            last, pages = None, []
        if action.after is None:
            yield f"block {block} is erased"
        elif action.after in BECOMES and (action.after is not State.CLOSED or action.before is State.OPEN):
            yield f"block {block} {BECOMES[action.after]}"
        elif action.before is State.CLOSED and action.after is State.FREED:
            yield f"nothing live is left in block {block}"
    if last is not None:
        yield _programmed(last, pages)


def _pages(action: Action, block_bytes: int, page_bytes: int) -> range:
    begin = action.address % block_bytes
    return range(begin // page_bytes, (begin + action.length - 1) // page_bytes + 1)


def _programmed(where: tuple[int, Cause], pages: list[int]) -> str:
    block, cause = where
    numbers = sorted(set(pages))
    shown = f"page {numbers[0]}" if len(numbers) == 1 else f"pages {_ranges(numbers)}"
    return {**MOVES, **WRITES}[cause].format(pages=f"{shown} of block {block}")


def _ranges(numbers: list[int]) -> str:
    """`3, 5 to 9 and 12`."""
    found: list[list[int]] = []
    for number in numbers:
        if found and number == found[-1][-1] + 1:
            found[-1].append(number)
        else:
            found.append([number])
    parts = [_range(one) for one in found]
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _range(numbers: list[int]) -> str:
    if len(numbers) == 1:
        return str(numbers[0])
    return f"{numbers[0]} {'and' if len(numbers) == 2 else 'to'} {numbers[-1]}"
