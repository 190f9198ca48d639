"""How long data is kept at another temperature, by Arrhenius' law, and what wear takes away of it.

Three cautions. The activation energy belongs to one mechanism of failure and is the user's to give: 1.1 eV is quoted
for charge that leaves its traps; others have less, and then heat shortens the time less, and cold lengthens it less.
Retention falls with cycles. And a calculation is no qualification of a part.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

BOLTZMANN_EV_PER_K = 8.617333e-5
ZERO_C_IN_K = 273.15

# Years at 55 degrees that JESD47 (in a note on its issue I) has flash keep data, after that share of the rated cycles.
KEPT_AT_C = 55.0
KEPT = ((0.1, 10.0), (1.0, 1.0))


@dataclass(frozen=True, slots=True)
class Kept:
    """`years` at `temperature_c` for data that is written when a block has had up to `cycles` erases; `from_ns` is when
    the most worn block has had them, by the pace of the run. None where there is no pace."""

    cycles: int
    years: float
    temperature_c: float
    activation_ev: float
    reached_ns: int | None


def acceleration(activation_ev: float, use_c: float, stress_c: float) -> float:
    """How many times as fast a part ages at `stress_c` as at `use_c`: exp(Ea / k x (1 / T_use - 1 / T_stress)).

    ValueError for a temperature at or below absolute zero or an energy that is not from 0 to 3 eV.
    """
    if not 0 <= activation_ev <= 3:
        raise ValueError(f"the activation energy must be from 0 to 3 eV, not {activation_ev:g}")
    kelvin = [ZERO_C_IN_K + celsius for celsius in (use_c, stress_c)]
    if not all(50 <= degrees <= 1000 for degrees in kelvin):  # so that NaN is refused too
        raise ValueError(f"temperatures must be from -223 to 726 degrees Celsius, not {use_c:g} and {stress_c:g}")
    return math.exp(activation_ev / BOLTZMANN_EV_PER_K * (1 / kelvin[0] - 1 / kelvin[1]))


def kept(
    rated_cycles: int, temperature_c: float, activation_ev: float, hottest_ns_per_cycle: float | None
) -> list[Kept]:
    """What JESD47's note comes to at another temperature, for parts that meet it. ValueError as of `acceleration`."""
    slower = acceleration(activation_ev, temperature_c, KEPT_AT_C)
    found = []
    for share, years in KEPT:
        cycles = int(rated_cycles * share)
        reached_ns = None if hottest_ns_per_cycle is None else int(cycles * hottest_ns_per_cycle)
        found.append(Kept(cycles, years * slower, temperature_c, activation_ev, reached_ns))
    return found
