"""Models NOR flash to the bit: pages, erase blocks, time, energy, wear, faults and the catalogue of parts. It must not
know files, or what a store writes and why."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from simfs.flash.counts import Counts
from simfs.flash.datasheet import Datasheet
from simfs.flash.faults import FaultHooks, FaultPlan, FlashError, NoPower, PowerCut
from simfs.flash.geometry import Geometry
from simfs.flash.nor import NorFlash
from simfs.flash.rng import Rng

if TYPE_CHECKING:
    from simfs.flash.fault_data import Cut, Error, Faults, Flip, Rot
    from simfs.flash.interrupted import Profile
    from simfs.flash.plan import Plan
    from simfs.flash.trace import Change, Trace
    from simfs.flash.wear import Weibull, Worn

__all__ = [
    "Change",
    "Counts",
    "Cut",
    "Datasheet",
    "Error",
    "FaultHooks",
    "FaultPlan",
    "Faults",
    "FlashError",
    "Flip",
    "Geometry",
    "NoPower",
    "NorFlash",
    "Plan",
    "PowerCut",
    "Profile",
    "Rng",
    "Rot",
    "Trace",
    "Weibull",
    "Worn",
]

_ON_DEMAND = {  # all that faults need, left out of the start since it would be a third of it
    "fault_data": ("Cut", "Error", "Faults", "Flip", "Rot"),
    "interrupted": ("Profile",),
    "plan": ("Plan",),
    "trace": ("Change", "Trace"),
    "wear": ("Weibull", "Worn"),
}


def __getattr__(name: str) -> Any:
    for module, names in _ON_DEMAND.items():
        if name in names:
            return getattr(import_module(f"simfs.flash.{module}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
