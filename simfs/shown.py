"""How a thing comes to be shown in a notebook. Below all rooms: it imports nothing of ours."""

from __future__ import annotations

from collections.abc import Callable


def _nothing(_: object) -> str | None:
    """A notebook then shows the `repr`."""
    return None


class Shown:
    """A thing that a notebook shows as a table and a map. What that looks like is the business of `as_html`, which the
    public package sets when any part of it is imported."""

    __slots__ = ()

    as_html: Callable[[object], str | None] = staticmethod(_nothing)

    def _repr_html_(self) -> str | None:
        return Shown.as_html(self)
