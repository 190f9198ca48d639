"""Open modes exactly as ISO C11 7.21.5.3 lists them, and `x` as a first letter as in Python.

`b` may stand wherever C allows it (`rb+` is `r+b`), and changes nothing: every file is binary. There is no text mode.
"""

import errno
from dataclasses import dataclass


class BadMode(OSError, ValueError):
    """A string that is no open mode: both the `ValueError` that `open` raises and the EINVAL that `fopen` sets."""


@dataclass(frozen=True, slots=True)
class Mode:
    """What an open mode allows and does. `text` is its one canonical spelling."""

    text: str
    must_exist: bool
    truncates: bool
    creates: bool
    exclusive: bool
    reads: bool
    writes: bool
    appends: bool


def _mode(letter: str, update: bool, exclusive: bool) -> Mode:
    return Mode(
        text=("x" if exclusive else letter) + ("b+" if update else "b"),
        must_exist=letter == "r",
        truncates=letter == "w" and not exclusive,
        creates=letter != "r",
        exclusive=exclusive,
        reads=letter == "r" or update,
        writes=letter != "r" or update,
        appends=letter == "a",
    )


def _spellings() -> dict[str, Mode]:
    """Every accepted spelling. C11 puts `x` last and only after `w`; Python puts it first in place of `w`."""
    modes: dict[str, Mode] = {}
    for tail in ("", "b", "+", "b+", "+b"):
        update = "+" in tail
        for letter in "rwa":
            modes[letter + tail] = _mode(letter, update, exclusive=False)
        modes["w" + tail + "x"] = modes["x" + tail] = _mode("w", update, exclusive=True)
    return modes


MODES: dict[str, Mode] = _spellings()
"""Every spelling of every mode; `MODES.get(mode) or parse_mode(mode)` saves the call."""


def parse_mode(mode: str) -> Mode:
    """The meaning of `mode`; `BadMode` names a string that is none. One dict lookup."""
    try:
        return MODES[mode]
    except KeyError:
        right = "r, w, a, x with + and b as in ISO C, or wx"
        raise BadMode(errno.EINVAL, f"no open mode is {mode!r}; right would be {right}") from None
