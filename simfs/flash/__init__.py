"""Bits, pages, erase blocks, time, energy, wear and the parts catalogue."""

from simfs.flash.counts import Counts
from simfs.flash.datasheet import Datasheet
from simfs.flash.faults import NoPower, PowerCut
from simfs.flash.geometry import Geometry
from simfs.flash.nor import NorFlash
from simfs.flash.rng import Rng

__all__ = ["Counts", "Datasheet", "Geometry", "NoPower", "NorFlash", "PowerCut", "Rng"]
