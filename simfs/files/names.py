"""Names on their way from the caller to the flash: UTF-8, the length limit, case folding, the working prefix.

Bytes that are not UTF-8 (given so, or left where a name was cut inside a character) are surrogate escapes in a `str`,
as in Python's names of host files. So every name on the flash can be decoded, and encodes to the same bytes again.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from errno import ENAMETOOLONG, ENOENT

Name = str | bytes | os.PathLike[str] | os.PathLike[bytes]


@dataclass(frozen=True, slots=True)
class NameRule:
    """How a store treats names. `limit_bytes` counts the terminator, so a name has at most one byte less.

    `overlong`: "reject" refuses a longer name with ENAMETOOLONG; "cut" keeps what fits, as firmware does that copies a
    name into a field without looking: byte by byte, through the middle of a character. `on_cut` gets the whole name.
    """

    limit_bytes: int
    overlong: str = "reject"
    fold_case: bool = False
    on_cut: Callable[[bytes], None] | None = field(default=None, compare=False)

    def encode(self, name: Name, prefix: str = "") -> bytes:
        """The bytes of `name` on the flash; `prefix` goes before a name that has no leading slash.

        Raises ENOENT for an empty name, ENAMETOOLONG, and `ValueError` for a NUL or a lone surrogate.
        """
        text = name if type(name) is str else _text(name)
        if prefix and text and text[0] != "/":
            text = prefix + text
        try:
            encoded = text.encode()
        except UnicodeEncodeError:
            encoded = text.encode("utf-8", "surrogateescape")
        if text and len(encoded) < self.limit_bytes and 0 not in encoded:
            return encoded
        return self._unusual(encoded, name)

    def cutting(self) -> NameRule:
        """The same rule for a store that cuts names that are too long, without `on_cut`."""
        return replace(self, overlong="cut", on_cut=None)

    def key(self, encoded: bytes) -> bytes:
        """The same for two names of one file. Folding is ASCII: other letters keep their case."""
        return encoded.lower() if self.fold_case else encoded

    @staticmethod
    def decode(encoded: bytes) -> str:
        """The `str` of a name on the flash."""
        return encoded.decode("utf-8", "surrogateescape")

    def _unusual(self, encoded: bytes, name: Name) -> bytes:
        if not encoded:
            raise FileNotFoundError(ENOENT, os.strerror(ENOENT), name)
        if 0 in encoded:
            raise ValueError(f"a name can't hold a NUL: {name!r}")
        if self.overlong == "reject":
            fits = f"{os.strerror(ENAMETOOLONG)} ({len(encoded)} bytes, {self.limit_bytes - 1} fit)"
            raise OSError(ENAMETOOLONG, fits, name)
        if self.on_cut:
            self.on_cut(encoded)
        return encoded[: self.limit_bytes - 1]


def _text(name: Name) -> str:
    path = os.fspath(name)
    return path if isinstance(path, str) else NameRule.decode(path)
