"""Gives files their names, open modes and handles, and holds the in-memory model that tests take for the truth. It must
not know how a store cleans, levels or recovers."""

from simfs.files.shown import Shown
from simfs.files.store import Store

__all__ = ["Shown", "Store"]
