"""simfs: a byte-accurate model of NOR flash under a small wear-levelling, log-structured file store."""

from simfs.files.store import Store
from simfs.flash import NorFlash, PowerCut
from simfs.store.config import StoreConfig
from simfs.store.errors import CorruptStore

__all__ = ["CorruptStore", "NorFlash", "PowerCut", "Store", "StoreConfig"]
