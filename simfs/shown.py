"""How a thing comes to be shown in a notebook. Below all rooms: it imports nothing of ours."""

from __future__ import annotations

from collections.abc import Callable


def _nothing(_: object) -> str | None:
    """The `repr` is shown then."""
    return None


class Shown:
    """A thing that a notebook shows as a table and a map, and `print` in a few lines. What that looks like is the
    business of `as_html` and `as_text`, which the public package sets when any part of it is imported."""

    __slots__ = ()

    as_html: Callable[[object], str | None] = staticmethod(_nothing)

    as_text: Callable[[object], str | None] = staticmethod(_nothing)

    def __str__(self) -> str:
        return Shown.as_text(self) or repr(self)

    def _repr_html_(self) -> str | None:
        return Shown.as_html(self)
