"""The calls of a life: which can succeed, how a program makes them, and how they are told."""

from __future__ import annotations

from typing import Any

from simfs import StoreConfig
from simfs.study.cuts.lives.session import Session
from tests.goals.scenarios import NEED_A_HAND, Call
from tests.goals.truth import Truth


def sensible(call: Call, truth: Truth, hands: dict[str, Any]) -> bool:
    """Whether the call can succeed: its files are there, or open as it needs them."""
    what, name, *more = call
    if what in NEED_A_HAND:
        appends = name in hands and hands[name].mode.startswith("a")
        return name in hands and not (what == "write" and appends and more[0] is not None)
    if what == "open":
        return name not in hands and (more[0] != "r+" or truth._key(name) in truth.files)
    return what in ("idle", "format") or truth._key(name) in truth.files


def given(call: Call, config: StoreConfig) -> Call:
    """The call as a program makes it: where names are cut, the longest ones are given longer than they are kept."""
    if config.overlong != "cut" or call[0] not in ("open", "remove", "rename", "truncate"):
        return call
    what, name, *more = call
    if what == "rename":
        more = [_longer(more[0], config)]
    return (what, _longer(name, config), *more)


def _longer(name: str, config: StoreConfig) -> str:
    return name + ", and more" if len(name) == config.name_bytes - 1 else name


def shorter(call: Call) -> Call | None:
    """The call with half of its data."""
    what, name, *more = call
    if what != "write" or len(more[1]) < 2:
        return None
    return (what, name, more[0], more[1][: len(more[1]) // 2])


def in_words(sessions: list[Session[Call]]) -> str:
    """A life, a call on a line."""
    lines = []
    for session in sessions:
        lines.append(f"power on, seed {session.seed}, cut after {session.cut_after} changes")
        lines += [f"  {_call_in_words(call)}" for call in session.calls]
    return "\n".join(lines)


def _call_in_words(call: Call) -> str:
    return " ".join(f"{len(word)} bytes" if isinstance(word, bytes) else str(word) for word in call)
