"""Names on a card: a path whose parts stand in directories, in any case, without what a directory can't hold."""

from __future__ import annotations

import errno
import os

from simfs.fat.format.names import check_component, folded
from simfs.files.names import Name, NameRule


class CardNames:
    """See `NameRules`. A name with a leading slash and the same without one are one file."""

    fold_case = True

    def __init__(self, rule: NameRule) -> None:
        self._rule = rule
        self.limit_bytes, self.overlong = rule.limit_bytes, rule.overlong

    def encode(self, name: Name, prefix: str = "") -> bytes:
        """See `NameRules`; EINVAL for what a directory can't hold, EISDIR for a name that ends with a slash."""
        encoded = self._rule.encode(name, prefix)
        text = NameRule.decode(encoded)
        parts = path_of(text)
        if not parts or text.endswith("/"):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), name)
        for part in parts:
            check_component(part)
        return encoded

    def cutting(self) -> CardNames:
        return CardNames(self._rule.cutting())

    def key(self, encoded: bytes) -> bytes:
        return "/".join(map(folded, path_of(NameRule.decode(encoded)))).encode("utf-8", "surrogateescape")

    @staticmethod
    def decode(encoded: bytes) -> str:
        return NameRule.decode(encoded)


def path_of(name: str) -> list[str]:
    """The parts of a name, from the root down."""
    return [part for part in name.split("/") if part]
