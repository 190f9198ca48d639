"""Files by name: the public store and the in-memory model that is the truth for its tests."""

from simfs.files.shown import Shown
from simfs.files.store import Store

__all__ = ["Shown", "Store"]
