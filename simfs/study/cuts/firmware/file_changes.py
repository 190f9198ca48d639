"""The changes that a run makes to its files, each from the call that begins it to the call that makes it whole.

In between, the flash holds something that the firmware never meant to keep. A change is whole at a flush or a close of
the file. When a new file is saved and then renamed over an old one, that is one change of the old file, from the
creation of the new one to the rename.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

from simfs.files.heard import FileCall
from simfs.files.modes import parse_mode
from simfs.files.names import NameRule
from simfs.study.cuts.firmware.rename_targets import Fates
from simfs.study.cuts.notes.history import Contents, History

# How a change began, by what is most telling about it.
EMPTIED, CREATED, GROWN, UPDATED, REMOVED = "emptied", "created", "grown", "updated", "removed"
SIDE_FILE, SAVED_BESIDE, RENAMED, RENAMED_EARLY = "side file", "saved beside", "renamed", "renamed early"


class Written(NamedTuple):
    """A write that belongs to a change: its call, and the bytes of the file that it covers."""

    call: int
    at: int
    end: int


class Cut(NamedTuple):
    """The state of one file after one cut. All files of the same states share `tally`."""

    found: bytes | None
    elsewhere: bytes | None  # what bears another name and is about to take this one
    size_bytes: int  # of the file as the firmware saw it
    handed: int  # writes of the change that the firmware had made
    call: int
    during: str  # the kind of that call
    tally: list[int]  # [states, readings lost in each]


@dataclass(slots=True)
class Change:
    """A change of the file of one name. None stands for 'no such file'; `ends` are the ends of the writes that made the
    file longer, in order."""

    name: str
    how: str
    call: int
    before: bytes | None
    before_ends: list[int]
    mode: str = ""
    source: str = ""  # the name of the file that takes this one's, until then
    after: bytes | None = None
    ends: list[int] = field(default_factory=list)
    ended_by: str = ""
    writes: list[Written] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)


@dataclass(slots=True)
class _File:
    """A file as the firmware sees it. `name` is None once it has none."""

    name: str | None
    size_bytes: int = 0
    ends: list[int] = field(default_factory=list)
    whole: bool = True
    target: str = ""  # what this one is saved beside

    def resize(self, size_bytes: int) -> None:
        self.size_bytes = size_bytes
        self.ends = [end for end in self.ends if end <= size_bytes]


class Changes:
    """Follows the calls of a run. For each call: `begin`, `cut` for what cuts in it found, `end`, which gives the
    changes that are whole now. `finish` gives those that never were."""

    def __init__(self, history: History) -> None:
        self._calls = history.calls
        config = history.config
        self._rule = NameRule(config.name_bytes, config.overlong, config.fold_case)
        self._files = {self._key(name): _File(name, len(data), [len(data)]) for name, data in history.contents}
        self._fates = Fates(history.calls, self._key, self._files)
        self._handles: dict[int, _File] = {}
        self._open: dict[str, Change] = {}  # by name
        self._done: set[str] = set()
        self._durable: Contents = {}
        self._number = 0
        self._actions: dict[str, Callable[[FileCall], None]] = {
            "open": self._opened, "write": self._written, "flush": self._flushed, "close": self._closed,
            "truncate": self._truncated, "remove": self._removed, "rename": self._renamed, "mount": self._mounted,
        }  # fmt: skip

    def begin(self, number: int, durable: Contents) -> None:
        """The call begins, and the firmware counts on what it does from now on. `durable` is from before it."""
        call = self._calls[number]
        self._number, self._durable = number, durable
        if not call.error and call.kind in self._actions:
            self._actions[call.kind](call)

    def cut(self, durable: Contents, states: int) -> list[int]:
        """Note that so many states with a cut in this call found `durable`. Returns their tally: [states, readings lost
        in each]."""
        tally = [states, 0]
        for name, change in self._open.items():
            file = self._files.get(self._key(name))
            size_bytes = file.size_bytes if file else 0
            handed, during = len(change.writes), self._calls[self._number].kind
            elsewhere = durable.get(change.source) if change.source else None
            change.cuts.append(Cut(durable.get(name), elsewhere, size_bytes, handed, self._number, during, tally))
        return tally

    def end(self, durable: Contents) -> list[Change]:
        """The call has returned; `durable` is from after it."""
        names = sorted(self._done & self._open.keys())
        self._done.clear()
        return self._ended(names, durable, self._calls[self._number].kind)

    def finish(self, durable: Contents) -> list[Change]:
        """The run is over."""
        return self._ended(sorted(self._open), durable, "")

    def _ended(self, names: list[str], durable: Contents, ended_by: str) -> list[Change]:
        ended = [self._open.pop(name) for name in names]
        for change in ended:
            file = self._files.get(self._key(change.name))
            change.after, change.ended_by = durable.get(change.name), ended_by
            change.ends = list(file.ends) if file else []
        return ended

    def _key(self, name: str) -> bytes:
        return self._rule.key(name.encode("utf-8", "surrogateescape"))

    def _change(self, name: str, how: str) -> Change:
        """The change of a name that is under way, or a new one."""
        change = self._open.get(name)
        if change is None:
            file = self._files.get(self._key(name))
            ends = list(file.ends) if file else []
            change = self._open[name] = Change(name, how, self._number, self._durable.get(name), ends)
        elif change.how == GROWN or how == RENAMED_EARLY:
            change.how = how
        return change

    def _whole(self, file: _File) -> None:
        """Everything of a file is durable. A side file still has to be renamed."""
        file.whole = True
        if file.name is not None and not file.target:
            self._done.add(file.name)

    # --- calls -------------------------------------------------------------------------------------------------------

    def _opened(self, call: FileCall) -> None:
        key = self._key(call.name)
        file = self._files.get(key)
        if file is None:
            target = self._fates.saved_as.get(self._number, "")
            self._change(call.name, SIDE_FILE if target else CREATED).mode = call.mode
            if target:
                self._change(target, SAVED_BESIDE)
            file = self._files[key] = _File(call.name, whole=False, target=target)
        elif call.mode.startswith("w") and file.size_bytes and file.name is not None:
            self._change(file.name, EMPTIED).mode = call.mode
            file.whole = False
            file.resize(0)
        if parse_mode(call.mode).writes:
            self._handles[call.handle] = file

    def _written(self, call: FileCall) -> None:
        file = self._handles[call.handle]
        if file.name is None:
            return
        at = file.size_bytes if call.at < 0 else call.at
        end = at + len(call.data)
        file.whole = False
        change = self._change(file.name, UPDATED if at < file.size_bytes else GROWN)
        change.writes.append(Written(self._number, at, end))
        if end > file.size_bytes:
            file.size_bytes = end
            file.ends.append(end)

    def _flushed(self, call: FileCall) -> None:
        file = self._handles.get(call.handle)
        if file is not None:  # else it was opened to read
            self._whole(file)

    def _closed(self, call: FileCall) -> None:
        self._flushed(call)
        self._handles.pop(call.handle, None)

    def _truncated(self, call: FileCall) -> None:
        file = self._handles[call.handle] if call.handle else self._files[self._key(call.name)]
        if file.name is not None:
            shrinks = call.at < file.size_bytes
            self._change(file.name, EMPTIED if shrinks else GROWN)
            if not call.handle:
                self._whole(file)
        file.resize(call.at)

    def _removed(self, call: FileCall) -> None:
        file = self._files[self._key(call.name)]
        assert file.name is not None
        change = self._change(file.name, REMOVED)
        change.source = self._fates.replaced_by.get(self._number, "")
        if not change.source:
            self._done.add(file.name)
        del self._files[self._key(call.name)]
        file.name = None

    def _renamed(self, call: FileCall) -> None:
        file = self._files[self._key(call.name)]
        if file.name is None or file.name == call.to:
            return
        self._change(file.name, RENAMED)
        self._done.add(file.name)
        self._change(call.to, RENAMED if file.whole else RENAMED_EARLY)
        replaced = self._files.get(self._key(call.to))
        if replaced is not None:
            replaced.name = None
        del self._files[self._key(call.name)]
        file.name, file.target = call.to, ""
        self._files[self._key(call.to)] = file
        if file.whole:
            self._done.add(call.to)

    def _mounted(self, _call: FileCall) -> None:
        """A boot in the run: what waited in RAM is gone."""
        self._handles.clear()
        self._files = {self._key(name): _File(name, len(data), [len(data)]) for name, data in self._durable.items()}
        self._done.update(self._open)
