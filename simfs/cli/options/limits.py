"""The options that say how many erases the blocks last."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from simfs.cli.exits import Refused

if TYPE_CHECKING:
    from simfs.flash.datasheet import Datasheet
    from simfs.study.fleet.limit_laws import Law

Command = TypeVar("Command", bound=Callable[..., Any])

KEYS = (
    "scale_cycles", "shape", "passed_parts", "passed_blocks", "passed_cycles", "confidence", "median_cycles", "sigma",
)  # fmt: skip
HOW = (
    "--scale-cycles and --shape (Weibull), --passed-parts and --shape (Weibull, from a test that parts passed), or "
    "--median-cycles and --sigma (lognormal)"
)
CONFIDENCE = 0.6
_WAYS = {
    "scale_cycles": ("shape",),
    "passed_parts": ("shape", "passed_blocks", "passed_cycles", "confidence"),
    "median_cycles": ("sigma",),
}

_OPTIONS = (
    click.option("--scale-cycles", type=float, metavar="N", help="Weibull: erases that 37 % of the blocks outlast."),
    click.option("--shape", type=float, metavar="B", help="Weibull: 1 is pure chance; larger, blocks are more alike."),
    click.option("--passed-parts", type=int, metavar="N", help="Weibull, from a test that all of N parts passed."),
    click.option("--passed-blocks", type=int, metavar="N", help="The test: blocks of each part; by default all."),
    click.option("--passed-cycles", type=int, metavar="N", help="The test: erases of each; by default as rated."),
    click.option("--confidence", type=float, metavar="C", help=f"The test: its confidence, by default {CONFIDENCE}."),
    click.option("--median-cycles", type=float, metavar="N", help="Lognormal: erases that half of the blocks outlast."),
    click.option("--sigma", type=float, metavar="S", help="Lognormal: the standard deviation of the logarithm."),
)


def limit_options(command: Command) -> Command:
    """Add to a command the options that give the true limits of blocks."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def weibull_options(command: Command) -> Command:
    """Add those of a Weibull law alone."""
    for option in reversed(_OPTIONS[:2]):
        command = option(command)
    return command


def check_limit_options(given: dict[str, Any]) -> None:
    """Refuse options that give no law, or more than one."""
    ways = [way for way in _WAYS if given[way] is not None]
    if len(ways) != 1:
        raise Refused(f"the limits of the blocks: {'given twice' if ways else 'not given'}; give {HOW}")
    way = ways[0]
    asked = [key for key in KEYS if given[key] is not None and key != way]
    wrong = [key for key in asked if key not in _WAYS[way]]
    if wrong:
        raise Refused(f"{spelt(wrong[0])}: it does not go with {spelt(way)}; leave it out")
    if given[_WAYS[way][0]] is None:
        raise Refused(f"{spelt(_WAYS[way][0])}: it is missing; give {HOW}")
    for key in ("passed_parts", "passed_blocks", "passed_cycles"):
        if given[key] is not None and given[key] < 1:
            raise Refused(f"{spelt(key)}: it must be at least 1, not {given[key]}")


def law_of(given: dict[str, Any], sheet: Datasheet) -> tuple[str, Law]:
    """The name of the law and the law itself."""
    from simfs.study.fleet.limit_laws import LognormalLimits, WeibullLimits, passed

    try:
        if given["median_cycles"] is not None:
            return "lognormal", LognormalLimits(given["median_cycles"], given["sigma"])
        if given["scale_cycles"] is not None:
            return "Weibull", WeibullLimits(given["scale_cycles"], given["shape"])
        return "Weibull", passed(
            given["passed_parts"],
            _or(given["passed_blocks"], sheet.size_bytes // sheet.block_bytes),
            _or(given["passed_cycles"], sheet.rated_cycles),
            _or(given["confidence"], CONFIDENCE),
            given["shape"],
        )
    except ValueError as error:
        raise Refused(f"the limits of the blocks: {error}") from None


def _or(given: Any, usual: Any) -> Any:
    return usual if given is None else given


def spelt(key: str) -> str:
    """An option as it is written."""
    return f"--{key.replace('_', '-')}"
