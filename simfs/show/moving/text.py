"""What a move finds, as text: a line that sums it up, then a block for each finding with its line of the file."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator
from typing import Any

from simfs.show import WHOSE, units
from simfs.study.moving.findings import Change, Finding, Moving

COLUMNS = 100
_WORD = 8  # columns of "what", "then", "fix", "tried"
_TEXT_MAX = 500
FILE_MAX = 200  # of a file's name, behind which the line stands for an editor to jump to

SHOWN: dict[str, tuple[str, Callable[[Any], str]]] = {
    "refused_operations": ("refused", units.number),
    "names_that_break": ("names that break", units.number),
    "files": ("files", units.number),
    "full_after_ns": ("full after", units.time),
    "programs": ("programs", units.number),
    "erases": ("erases", units.number),
    "write_amplification": ("write amplification", units.ratio),
    "energy_a_day_nj": ("energy a day", units.energy),
    "battery_life_ns": ("battery lasts", units.years),
    "longest_write_ns": ("longest write", units.time),
    "room_bytes": ("room", units.size),
    "ram_bytes": ("RAM", units.size),
}


def as_text(moving: Moving) -> str:
    """The whole report, without a line end."""
    onto = moving.onto
    stands = units.stands_on(onto.part, onto.block_count, onto.block_bytes, onto.settings, onto.region_start_bytes)
    heading = [_summary(moving), stands, WHOSE, moving.not_seen]
    parts = ["\n".join(textwrap.fill(line, COLUMNS, break_on_hyphens=False) for line in heading if line)]
    parts += ["\n".join(_block(moving.file, finding)) for finding in moving.findings]
    if moving.together:
        changes = "; ".join(_change(change) for change in moving.together)
        parts.append(textwrap.fill(f"All fixes of what breaks together: {changes}", COLUMNS, break_on_hyphens=False))
    return "\n\n".join(parts)


def _summary(moving: Moving) -> str:
    worse, advice = moving.lost_or_refused, len(moving.findings) - moving.lost_or_refused
    told = f"Moving {units.plain(moving.file, FILE_MAX)} to {moving.to}: "
    if not moving.findings:
        return f"{told}everything carries over."
    carried = f"! {units.counted(worse, 'thing')} lost or refused" if worse else "nothing is lost or refused"
    return f"{told}{carried}" + (f", and {units.counted(advice, 'thing')} to know." if advice else ".")


def _block(file: str, finding: Finding) -> Iterator[str]:
    mark = "! " if finding.breaks else ""
    place = f" {units.plain(finding.place)}:" if finding.place else ""
    yield f"{mark}{units.plain(file, FILE_MAX)}:{finding.line}:{place} {finding.kind} ({finding.level})"
    yield _row("what", finding.seen)
    yield _row("then", finding.happens)
    if finding.fix:
        yield _row("fix", finding.fix)
    if finding.tried:
        yield _row("tried", "; ".join(_change(change) for change in finding.tried))
    elif finding.untried:
        yield _row("tried", f"no: {finding.untried}")


def _change(change: Change) -> str:
    name, shown = SHOWN[change.name]
    unknown = "not in sight" if change.name == "full_after_ns" else "cannot say"
    before, after = (unknown if value is None else shown(value) for value in (change.before, change.after))
    return f"{name} {before} -> {after}"


def _row(word: str, text: str) -> str:
    head = f"  {word:{_WORD}}"
    return textwrap.fill(
        units.plain(text, _TEXT_MAX), COLUMNS, initial_indent=head, subsequent_indent=" " * len(head),
        break_on_hyphens=False,
    )  # fmt: skip
