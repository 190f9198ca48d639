"""A part of the catalogue with some of its figures changed by a scenario, which its name tells in every report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from simfs.flash.datasheet import Datasheet
from simfs.flash.parts import GENERIC, PARTS
from simfs.replay.scenario.quantities import format_duration, format_size

OF_SCENARIO = "the scenario"


def key_of(field: str) -> str:
    """The key of a scenario that gives a field of the datasheet: its value has a unit there."""
    return field.removesuffix("_bytes").removesuffix("_ns")


def spelled(field: str, value: int) -> str:
    """A figure of a datasheet as people write it, and exact."""
    if field.endswith("_bytes"):
        return format_size(value)
    if field.endswith("_ns"):
        return format_duration(value)
    unit = next((unit for unit in ("uA", "mV", "years") if field.endswith(f"_{unit.lower()}")), "")
    return f"{value:,} {unit}".rstrip()


def part_with(part: Datasheet, own: Mapping[str, int]) -> Datasheet:
    """The part with figures of one's own, by the datasheet's field names. A part that comes in several sizes has the
    one given. ValueError where the figures don't go together."""
    sizes = part.sizes_bytes
    if "size_bytes" in own and sizes and own["size_bytes"] not in sizes:
        listed = ", ".join(map(format_size, sizes))
        raise ValueError(f"{part.name} comes with {listed}; {format_size(own['size_bytes'])} is none of these")
    changed: dict[str, Any] = {field: value for field, value in own.items() if value != getattr(part, field)}
    _check_block(part, changed, own)
    _check_times(part, changed)
    told = [
        f"{key_of(field)} {spelled(field, changed[field])}, not {spelled(field, getattr(part, field))}"
        for field in part.sources()
        if field in changed and not (field == "size_bytes" and sizes)
    ]
    sources = {**dict(part.apart), **dict.fromkeys(changed, OF_SCENARIO)}
    name = f"{part.name} (changed: {'; '.join(told)})" if told else part.name
    return replace(part, name=name, apart=tuple(sources.items()), **changed) if changed else part


def _check_times(part: Datasheet, changed: Mapping[str, int]) -> None:
    for work in ("program", "erase"):
        typical, longest = (
            changed.get(f"{work}_{end}_ns", getattr(part, f"{work}_{end}_ns")) for end in ("typ", "max")
        )
        if typical > longest:
            told = f"{work}_typ is {format_duration(typical)}, and {work}_max {format_duration(longest)}"
            raise ValueError(f"{told}; give both where one passes the other's figure on {part.name}")


def _check_block(part: Datasheet, changed: Mapping[str, int], own: Mapping[str, int]) -> None:
    """Erase times belong to the erase block; only the generic part takes the same for any."""
    if "block_bytes" not in changed or {"erase_typ_ns", "erase_max_ns"} <= own.keys() or part == GENERIC:
        return
    block_bytes, name = changed["block_bytes"], part.name.partition("/")[0]
    same = [one.name for one in PARTS.values() if one.name.partition("/")[0] == name and one.block_bytes == block_bytes]
    right = "".join(f', or part = "{one}"' for one in same)
    told = f"the erase times of {part.name} are those of its {format_size(part.block_bytes)}"
    raise ValueError(f'{told}; with block = "{format_size(block_bytes)}" give erase_typ and erase_max too{right}')
