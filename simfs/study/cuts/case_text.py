"""A whole run in one line, to be pasted and run again: the flash, the store's settings and the file calls.

    6x512 page=64; buffer_bytes=32 name_bytes=12; open #1 /a w; write #1 end 8; close #1; rename /a /b; truncate /b 3

`#1` is an open file. A write says where it goes, `end` or a byte, and how many arbitrary bytes it writes, or `=` and
the bytes in hexadecimal. In names, characters that could be mistaken are written as %XX.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, fields, replace
from typing import Any
from urllib.parse import quote, unquote

from simfs.files import Store
from simfs.files.heard import FileCall
from simfs.flash import Geometry, NorFlash
from simfs.store.format.config import StoreConfig
from simfs.study.cuts.notes.hands import Hands
from simfs.study.cuts.notes.history import History
from simfs.study.cuts.notes.recorder import record

_SIZES = {"page": "page_bytes", "unit": "program_unit_bytes", "programs": "page_programs_max"}
_PLAIN = "/.,_+~@!-"


@dataclass(frozen=True, slots=True)
class Case:
    """File calls on a freshly formatted store. As text it is one line."""

    geometry: Geometry
    config: StoreConfig
    calls: tuple[FileCall, ...]

    def __str__(self) -> str:
        geometry, default = self.geometry, StoreConfig()
        sizes = [f"{geometry.block_count}x{geometry.block_bytes}", f"page={geometry.page_bytes}"]
        sizes += [f"{word}={getattr(geometry, field)}" for word, field in list(_SIZES.items())[1:]]
        settings = [
            f"{field.name}={getattr(self.config, field.name)}"
            for field in fields(StoreConfig)
            if getattr(self.config, field.name) != getattr(default, field.name)
        ]
        calls = [_call_text(call, number) for number, call in enumerate(self.calls)]
        return "; ".join([" ".join(sizes), " ".join(settings), *calls])

    @classmethod
    def parse(cls, text: str) -> Case:
        """The case of a line. `ValueError` says which part of it is wrong."""
        parts = [part.strip() for part in text.split(";")]
        geometry = _parsed(parts[0], _geometry, "6x512 page=64")
        config = _parsed(parts[1] if len(parts) > 1 else "", _config, "buffer_bytes=32 name_bytes=12")
        calls = [
            _parsed(part, lambda part, number=number: _call(part, number), "open #1 /a w; write #1 end 8; close #1")
            for number, part in enumerate(parts[2:])
        ]
        return cls(geometry, config, tuple(calls))

    def record(self) -> History:
        """Run the calls once. Calls that the store refuses, and those on files that are not open, are skipped.
        ValueError when no such store fits the flash."""
        geometry = self.geometry
        flash = NorFlash(
            geometry.block_count,
            geometry.block_bytes,
            geometry.page_bytes,
            program_unit_bytes=geometry.program_unit_bytes,
            page_programs_max=geometry.page_programs_max,
        )
        return record(Store.format(flash, self.config), self.work, str(self))

    def work(self, store: Store) -> None:
        """Make the calls on this store. Nothing waits in a buffer afterwards: what did is lost."""
        hands = Hands()
        for call in self.calls:
            with suppress(OSError):
                store = hands.make(store, call)
        store.drop()  # the run ends here: what waits is lost


def case_of(history: History, calls: int | None = None) -> Case:
    """The first so many calls of a run, as a case. Files that were there when it began are written first."""
    before: list[FileCall] = []
    for number, (name, data) in enumerate(history.contents, start=1_000_001):
        before += [FileCall("open", name, number, "w"), FileCall("write", "", number, at=-1, data=data)]
        before.append(FileCall("close", "", number))
    made = [replace(call, error="") for call in history.calls[:calls]]
    if made and made[0].kind == "mount":
        del made[0]  # a recording begins with one
    return Case(history.geometry, history.config, (*before, *made))


def plain_data(number: int, length: int) -> bytes:
    """Arbitrary bytes, different for each call."""
    return bytes((41 * number + 7 * at + 1) % 251 for at in range(length))


def _call_text(call: FileCall, number: int) -> str:
    words: list[object] = [call.kind]
    if call.handle:
        words.append(f"#{call.handle}")
    if call.name:
        words.append(quote(call.name, safe=_PLAIN, errors="surrogateescape"))
    if call.kind == "open":
        words.append(call.mode)
    elif call.kind == "rename":
        words.append(quote(call.to, safe=_PLAIN, errors="surrogateescape"))
    elif call.kind in ("write", "truncate", "idle"):
        words.append(call.at if call.at >= 0 else "end")
    if call.kind == "write":
        plain = call.data == plain_data(number, len(call.data))
        words.append(len(call.data) if plain else f"={call.data.hex()}")
    return " ".join(map(str, words))


def _parsed(text: str, parser: Any, example: str) -> Any:
    try:
        return parser(text)
    except (ValueError, IndexError, TypeError) as error:
        said = f": {error}" if isinstance(error, ValueError) and "unpack" not in str(error) else ""
        raise ValueError(f"{text!r} in the case{said}; right would be, for example, {example}") from None


def _geometry(text: str) -> Geometry:
    blocks, *sizes = text.split()
    block_count, block_bytes = blocks.split("x")
    given = {_SIZES.get(word, word): int(value) for word, value in (size.split("=") for size in sizes)}
    return Geometry(int(block_count), int(block_bytes), **given)


def _config(text: str) -> StoreConfig:
    default = StoreConfig()
    settings: dict[str, Any] = {}
    for word, value in (setting.split("=") for setting in text.split()):
        old = getattr(default, word, "")
        as_bool = {"True": True, "False": False}
        settings[word] = value if isinstance(old, str) else as_bool[value] if isinstance(old, bool) else int(value)
    return StoreConfig(**settings)


def _call(text: str, number: int) -> FileCall:
    kind, *words = text.split()
    handle = int(words.pop(0)[1:]) if words and words[0].startswith("#") else 0
    if kind == "write":
        at, data = words
        taken = bytes.fromhex(data[1:]) if data.startswith("=") else plain_data(number, int(data))
        return FileCall(kind, handle=handle, at=-1 if at == "end" else int(at), data=taken)
    if kind == "truncate" and handle:
        return FileCall(kind, handle=handle, at=int(words[0]))
    names = [unquote(word, errors="surrogateescape") for word in words]
    if kind == "open":
        return FileCall(kind, names[0], handle, mode=names[1])
    if kind in ("flush", "close", "mount") and not words:
        return FileCall(kind, handle=handle)
    if kind == "idle":
        return FileCall(kind, at=int(words[0]))
    if kind == "rename":
        return FileCall(kind, names[0], to=names[1])
    if kind == "truncate":
        return FileCall(kind, names[0], at=int(words[1]))
    if kind == "remove" and len(words) == 1:
        return FileCall(kind, names[0])
    raise ValueError("it is no call")
