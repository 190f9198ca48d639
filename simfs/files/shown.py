"""How a store comes to be shown in a notebook."""

from __future__ import annotations

from importlib import import_module
from typing import cast


class Shown:
    """A thing that a notebook shows as a table and a map. What that looks like is the business of a room above, which
    is named here and loaded when something is displayed, and only then: nothing else in this package looks up."""

    __slots__ = ()

    def _repr_html_(self) -> str:
        return cast(str, import_module("simfs.show.notebook").as_html(self))
