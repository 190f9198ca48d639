"""The text of a first scenario, made of a template and the answers."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from string import Template

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_MS, NS_PER_S, moment
from simfs.replay.scenario.fields import DURATION_MAX_NS
from simfs.replay.scenario.near_words import did_you_mean
from simfs.replay.scenario.patterns import CLOCK_FIELDS, COUNT_FIELDS, Moment
from simfs.replay.scenario.quantities import format_duration, format_size, parse_duration
from simfs.replay.starters.answers import Content, Flash
from simfs.replay.starters.kinds import ANY_READING, READINGS, Kind

RUN_NS = 14 * NS_PER_DAY
START = "2031-01-01"

_PERIODS = (  # of a file, with its name; the longest of which two or more are kept
    ("day", NS_PER_DAY, "{date}"),
    ("hour", 3600 * NS_PER_S, "{date}-{hour}"),
    ("minute", 60 * NS_PER_S, "{date}-{hour}{minute}"),
)


@dataclass(frozen=True, slots=True)
class Answers:
    """What is known of a device: enough for a scenario of a kind."""

    kind: Kind
    flash: Flash
    store_bytes: int
    every_ns: int
    content: Content
    keep_ns: int  # 0 where nothing is kept

    @property
    def records(self) -> int:
        """How many are there at a time; 1 where nothing is kept."""
        return max(1, round(-(-self.keep_ns // self.every_ns) * self.kind.records_each))

    @property
    def kept_bytes(self) -> int:
        """What they have in them, without what the store adds."""
        return self.records * length_of(self.content)


def usual_keep_ns(kind: Kind, flash: Flash, store_bytes: int, every_ns: int, content: Content) -> int:
    """The kind's own time, or less where that would fill more than a quarter of the store; 0 where nothing is kept."""
    keep_ns = parse_duration(kind.keep) if kind.keep else 0
    while keep_ns > every_ns:
        answers = Answers(kind, flash, store_bytes, every_ns, content, keep_ns)
        if answers.kept_bytes <= store_bytes // 4:
            break
        keep_ns //= 2
    return keep_ns


def check_room(answers: Answers) -> None:
    """`ValueError` if what is kept can't fit, whatever the store needs beside it."""
    if answers.kept_bytes > answers.store_bytes:
        many = f"{answers.records:,} records" if answers.records > 1 else "1 record"
        what = f"{many} of {length_of(answers.content):,} bytes {'are' if answers.records > 1 else 'is'} more"
        what += " than the store has"
        raise ValueError(f"{what}, {format_size(answers.store_bytes)}; keep less, or take a larger store")


def scenario_text(answers: Answers, file: str) -> str:
    """The scenario in TOML, with comments; `file` is what they call it."""
    template = Template(Path(__file__).with_name(f"{answers.kind.name}.toml").read_text(encoding="utf-8"))
    period, period_ns, stem = _period(answers.keep_ns)
    slots = max(2, answers.records) if answers.kind.name == "ring" else answers.records + 1
    size_bytes = answers.content.size_bytes
    return template.substitute(
        file=file,
        every=format_duration(answers.every_ns),
        keep=format_duration(answers.keep_ns),
        period=period,
        stem=stem,
        files=max(1, -(-answers.keep_ns // max(period_ns, answers.every_ns))),
        slots=slots,
        whole=format_size(slots * (size_bytes or 0)),
        content=f'size = "{format_size(size_bytes)}"' if size_bytes else f"text = {_quoted(answers.content.text)}",
        jitter=format_duration(answers.every_ns // 2),
        gap=format_duration(min(200 * NS_PER_MS, answers.every_ns // 100)),
        gap_jitter=format_duration(min(500 * NS_PER_MS, answers.every_ns // 50)),
        chip=_chip(answers.flash),
        store=_store(answers),
        run=_run(answers),
        values=_values(answers.content),
    )


def _period(keep_ns: int) -> tuple[str, int, str]:
    return next((period for period in _PERIODS if keep_ns >= 2 * period[1]), _PERIODS[-1])


def _chip(flash: Flash) -> str:
    lines = ["[chip]"]
    if flash.part:
        lines.append(f'part = "{flash.part}" # `simfs parts` lists all parts of the catalogue')
    if flash.size_bytes:
        lines.append(f'size = "{format_size(flash.size_bytes)}"')
    if not flash.part:
        lines += [
            f"rated_cycles = {flash.cycles} # erases that the datasheet promises for a block",
            f'block = "{format_size(flash.sheet.block_bytes)}" # the least that one erase clears',
            f'erase_typ = "{format_duration(flash.sheet.erase_typ_ns)}" # this and the next: as its datasheet says',
            f'erase_max = "{format_duration(flash.sheet.erase_max_ns)}"',
            f'program_typ = "{format_duration(flash.sheet.program_typ_ns)}"',
            f'program_max = "{format_duration(flash.sheet.program_max_ns)}"',
        ]
    return "\n".join(lines) + "\n"


def _store(answers: Answers) -> str:
    start = answers.flash.whole_bytes - answers.store_bytes
    lines = [
        "[store]",
        f'start = "{format_size(start)}" # the end of the chip; the program and the update slot lie before it',
        f'size = "{format_size(answers.store_bytes)}"',
    ]
    return "\n".join(lines) + ("" if answers.kind.name == "events" else "\n")


def _run(answers: Answers) -> str:
    """Long enough that the oldest records go again and that every block is written, but no longer than a replay should
    take."""
    each_bytes = answers.kind.records_each * (length_of(answers.content) + answers.kind.added_bytes)
    fill_ns = int(answers.store_bytes / each_bytes * answers.every_ns)
    wanted_ns = -(-max(RUN_NS, 3 * answers.keep_ns // 2, fill_ns) // NS_PER_DAY) * NS_PER_DAY
    most_ns = min(answers.kind.runs_max * answers.every_ns, DURATION_MAX_NS)
    why = "long enough to write all of the store once, so that its wear shows"
    if wanted_ns > most_ns:
        wanted_ns, why = most_ns, "no longer, so that a replay takes seconds"
    return f'[run]\nstart = {START}\nduration = "{format_duration(wanted_ns)}" # {why}\nseed = 1\n'


def _values(content: Content) -> str:
    """A table for each reading that the text has."""
    return "\n".join(map(_reading, _readings(content)))


def _readings(content: Content) -> list[str]:
    names = [place.name for place in content.pattern.places] if content.pattern else []
    return [name for name in dict.fromkeys(names) if name not in (*CLOCK_FIELDS, *COUNT_FIELDS)]


def maybe_mistyped(content: Content) -> list[str]:
    """A line for each reading that is much like a word with a meaning of its own."""
    words = (*CLOCK_FIELDS, *COUNT_FIELDS)
    nears = [(name, did_you_mean(name, words)) for name in _readings(content) if name not in READINGS]
    return [f"{{{name}}} is a reading, with its table [values.{name}]; {near.rstrip()}" for name, near in nears if near]


def _reading(name: str) -> str:
    mean, decimals, noise = READINGS.get(name, ANY_READING)
    return (
        f"[values.{name}] # {{{name}}} in the text: about the mean, off by up to the noise\n"
        f"mean = {mean}\ndecimals = {decimals}\nnoise = {noise}\n"
    )


def length_of(content: Content) -> int:
    """Bytes of what is written each time; of a text, with its readings at their means."""
    if content.pattern is None:
        return content.size_bytes or 0
    now, total = Moment(moment(2031, 1, 1)), 0
    for piece in content.pattern.pieces:
        if isinstance(piece, str):
            total += len(piece.encode())
        elif piece.name in CLOCK_FIELDS or piece.name in COUNT_FIELDS:
            total += max(len(now.field(piece.name)), piece.width)
        else:
            mean, decimals, _ = READINGS.get(piece.name, ANY_READING)
            total += max(len(f"{mean:.{decimals}f}"), piece.width)
    return total


def _quoted(text: str) -> str:
    """As TOML writes it. JSON's strings are TOML's, but for one control character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
