"""simfs: a byte-accurate model of NOR flash under a small wear-levelling, log-structured file store.

The names are found when they are asked for: whoever imports a part of the package alone does not wait for all of it.
It stands around all rooms, and no room imports it.
"""

from importlib import import_module
from typing import TYPE_CHECKING

from simfs.shown import Shown

if TYPE_CHECKING:
    from simfs.files.store import Store
    from simfs.flash import NorFlash, PowerCut
    from simfs.store.format.config import StoreConfig
    from simfs.store.format.errors import CorruptStore

__all__ = ["CorruptStore", "NorFlash", "PowerCut", "Store", "StoreConfig"]

_HOMES = {
    "CorruptStore": "simfs.store.format.errors",
    "NorFlash": "simfs.flash",
    "PowerCut": "simfs.flash",
    "Store": "simfs.files.store",
    "StoreConfig": "simfs.store.format.config",
}


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found: object = getattr(import_module(_HOMES[name]), name)
    globals()[name] = found
    return found


def _as_html(shown: object) -> str | None:
    """What a notebook shows; loaded when something is displayed, and only then."""
    from simfs.show.notebook import as_html

    return as_html(shown)


def _as_text(shown: object) -> str | None:
    """What `print` shows; loaded when something is printed, and only then."""
    from simfs.show.notebook import as_text

    return as_text(shown)


Shown.as_text = staticmethod(_as_text)
Shown.as_html = staticmethod(_as_html)
