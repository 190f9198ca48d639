"""Bits, pages, erase blocks, time, energy, wear, faults and the parts catalogue."""

from simfs.flash.counts import Counts
from simfs.flash.datasheet import Datasheet
from simfs.flash.faults import FaultHooks, FaultPlan, FlashError, NoPower, PowerCut
from simfs.flash.geometry import Geometry
from simfs.flash.nor import NorFlash
from simfs.flash.rng import Rng

__all__ = [
    "Counts",
    "Datasheet",
    "FaultHooks",
    "FaultPlan",
    "FlashError",
    "Geometry",
    "NoPower",
    "NorFlash",
    "PowerCut",
    "Rng",
]
