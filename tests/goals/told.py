"""What the commands of `simfs image` say of one image, each in words and as JSON, and whether they agree."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from click.testing import CliRunner, Result

from simfs.cli.image_command import image as command

DAMAGED = "+damaged"
Range = tuple[int, int]


class Wrong(AssertionError):
    """The commands broke a promise."""


@dataclass(frozen=True)
class Names:
    """What damages say: which files are hurt, which may be older or shorter than they were, where, and whether any of
    it is certain."""

    hurt: set[str]
    maybe: set[str]
    places: list[range]
    certain: bool

    def __str__(self) -> str:
        return f"{sorted(self.hurt)} damaged, {sorted(self.maybe)} may be older" if self.places else "sound"

    def covers(self, address: int) -> bool:
        return any(address in place for place in self.places)


def names_in(damages: Iterable[Any]) -> Names:
    """Of a store's damages. Wrong when one of them has no place or says nothing."""
    damages = list(damages)
    for damage in damages:
        _must(0 <= damage.begin < damage.end and damage.what != "", f"a damage without a place or a word: {damage}")
    hurt = {name for damage in damages for name in damage.names}
    maybe = {name for damage in damages for name in damage.maybe}
    places = [range(damage.begin, damage.end) for damage in damages]
    return Names(hurt, maybe, places, any(damage.certain for damage in damages))


@dataclass
class Told:
    """`files` is what a plain extraction gives, `left` one of all that is left, and `marked` what it marks as
    damaged."""

    sound: bool
    said: Names
    files: dict[str, bytes]
    left: dict[str, bytes]
    marked: set[str]


class NotFound(Exception):
    """The commands find no store at that place."""


@dataclass(frozen=True)
class Dump:
    """A file in which a store reaches from `begin` to `end`; whether the commands are told where it begins."""

    path: Path
    begin: int
    end: int
    told: bool

    def run(self, word: str, *words: str) -> Result:
        start = ["--start", f"{self.begin:#x}"] if self.told else []
        done = CliRunner().invoke(command, [word, str(self.path), *words, *start])
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            raise Wrong(f"{word} ends with {done.exception!r}") from done.exception
        if self.told and done.exit_code == 2 and "no store begins at" in done.stderr:
            raise NotFound
        return done


def ask(dump: Dump) -> Told:
    """What the commands say of a dump. Wrong when one of them fails, or two of them differ. Leaves two directories
    beside the dump."""
    verified, plainly = _json(dump, "verify"), dump.run("verify")
    explained, at_length = _json(dump, "explain"), dump.run("explain")
    sound = bool(verified["sound"])
    _must(plainly.exit_code == dump.run("verify", "--json").exit_code == (0 if sound else 1), "exit status of verify")
    _must(("\nsound" in "\n" + plainly.output) == sound, "verify: the text and its JSON differ")
    damages = verified.get("damages", [])
    _must(sound == (not damages and not verified["problems"]), "verify: sound, and yet it lists what is wrong")
    _must(explained["damaged"] != sound, "explain and verify differ in whether it is damaged")
    _must(explained.get("damages", []) == damages, "explain and verify list different damages")
    _must(explained["mounts"] == (verified["listing"] is not None), "explain and verify differ in whether it mounts")
    _in_the_dump([verified, explained], dump.begin, dump.end)
    for damage in damages:
        for text in (plainly.output, at_length.output):
            _must(f"{damage['begin']:#x}" in text, f"a text lacks {damage['begin']:#x}")
            missing = [name for name in damage["names"] if name not in text]
            _must(not missing, f"a text does not name {missing}")
    files, _ = _extracted(dump, sound)
    left, marked = _extracted(dump, sound, "--damaged")
    told = Told(sound, names_in(SimpleNamespace(**damage) for damage in damages), files, left, marked)
    _the_same_files(dump, told, verified, explained)
    return told


def _the_same_files(dump: Dump, told: Told, verified: dict[str, Any], explained: dict[str, Any]) -> None:
    listing = _json(dump, "list")
    _must(verified["listing"] == listing, "list and verify differ")
    sizes = {file["name"]: file["size_bytes"] for file in listing["files"]}
    shown = {file["name"]: file["size_bytes"] for file in explained["files"] if file["name"] is not None}
    _must(shown == sizes, f"list has {sizes}, explain {shown}")
    for name, data in told.files.items():
        _must(sizes.get(name) == len(data), f"{name}: listed with another size than it is extracted")
        _must(told.left.get(name) == data, f"{name}: what is left of it is not what there is of it")
    _must(not told.said.hurt & told.files.keys(), "a file is extracted as sound that is named damaged")
    _must(told.marked <= told.said.hurt, f"extracted as damaged, but not said to be: {told.marked - told.said.hurt}")
    lost = {file["name"] for file in explained["files"] if file["lost"] and file["name"] is not None}
    _must(
        lost <= told.said.hurt,
        f"explain says bytes are lost of files that are not named damaged: {lost - told.said.hurt}",
    )


def _in_the_dump(reports: list[Any], begin: int, end: int) -> None:
    """Every address in a report is one of the dump, and no range is empty."""
    for report in reports:
        for one in _objects(report):
            for first, last in (("begin", "end"), ("start", "end")):
                if first in one and last in one:
                    _must(begin <= one[first] < one[last] <= end, f"{one} is not in the dump's addresses")
            if "address" in one:
                _must(begin <= one["address"] < end, f"{one} is not in the dump's addresses")
        for first, last in report.get("missing", []):
            _must(begin <= first < last <= end, "missing bytes are not in the dump's addresses")


def _objects(report: Any) -> list[dict[str, Any]]:
    if isinstance(report, dict):
        return [report, *(one for value in report.values() for one in _objects(value))]
    return [one for value in report for one in _objects(value)] if isinstance(report, list) else []


def _extracted(dump: Dump, sound: bool, *options: str) -> tuple[dict[str, bytes], set[str]]:
    """The files by the names that they have in the store, and those that are marked as damaged."""
    target = dump.path.with_name("left" if options else "plain")
    done = dump.run("extract", str(target), *options)
    _must(done.exit_code == (0 if sound else 1), f"extract {' '.join(options)} exits {done.exit_code}: {_line(done)}")
    files = {file.name: file.read_bytes() for file in target.iterdir()}
    marked = {"/" + name.removesuffix(DAMAGED) for name in files if name.endswith(DAMAGED)}
    return {"/" + name.removesuffix(DAMAGED): data for name, data in files.items()}, marked


def _json(dump: Dump, *words: str) -> dict[str, Any]:
    done = dump.run(*words, "--json")
    _must(done.exit_code in (0, 1), f"{words[0]} exits {done.exit_code}: {_line(done)}")
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def _line(done: Result) -> str:
    return (done.stderr.strip() or done.output.strip()).split("\n")[0].rpartition("/")[2]


def _must(holds: bool, what: str) -> None:
    if not holds:
        raise Wrong(what)
