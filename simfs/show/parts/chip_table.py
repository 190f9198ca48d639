"""What the tables of a dump say, as the [chip] table of a scenario."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator

from pydantic import ValidationError

from simfs.replay.scenario.fields import CHIP_BYTES_MAX
from simfs.replay.scenario.media.chip import Chip
from simfs.replay.scenario.quantities import format_duration, format_size
from simfs.sfdp.facts import SMALL_BYTES, EraseType, Facts
from simfs.show import units


class NoChip(ValueError):
    """The tables don't describe a chip that a scenario could have."""


def chip_table(source: str, facts: Facts) -> str:
    """The table with a comment on what it lacks. `NoChip` says why there is none."""
    block = _block(facts)
    lines = [
        f"# {units.plain(source)}: what its tables (JESD216) say. They don't say how many cycles a block is rated for,",
        "# currents, and the time to read. Add these keys from the datasheet, or they are those of the part generic.",
        *(["# Here they don't say times and the page either."] if facts.program is None else []),
        "[chip]",
        f'size = "{format_size(facts.size_bytes or 0)}"',
        *_erase_lines(block),
    ]
    if facts.page_bytes is not None and facts.program is not None:
        lines.append(f'page = "{format_size(facts.page_bytes)}"')
        lines.append(f'program_typ = "{format_duration(facts.program.typ_ns)}"')
        lines.append(f'program_max = "{format_duration(facts.program.max_ns)}"')
    for other in facts.erase_types:
        if other is not block:
            where = "" if other.everywhere else ", which only some sectors have"
            lines += [
                f"\n# Erase type {other.number}{where}, instead:",
                *(f"# {line}" for line in _erase_lines(other)),
            ]
    text = "\n".join(lines) + "\n"
    _check(text)
    return text


def _block(facts: Facts) -> EraseType:
    """The erase type for the scenario: the smallest of 4 KiB or more that the whole flash has."""
    if facts.size_bytes is None or facts.size_bytes > CHIP_BYTES_MAX:
        told = "no size" if facts.size_bytes is None else units.size(facts.size_bytes)
        raise NoChip(f"the part has {told}; a scenario's chip has at most {units.size(CHIP_BYTES_MAX)}")
    whole = [erase for erase in facts.erase_types if erase.everywhere]
    block = next((erase for erase in whole if erase.size_bytes >= SMALL_BYTES), whole[0] if whole else None)
    if block is None:
        raise NoChip("no erase type is for the whole flash; write the [chip] table from the datasheet")
    return block


def _check(text: str) -> None:
    """What else a scenario would refuse."""
    try:
        Chip.model_validate(tomllib.loads(text)["chip"])
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise NoChip(f"no scenario could have such a chip: {first['msg'].removeprefix('Value error, ')}") from None


def _erase_lines(erase: EraseType) -> Iterator[str]:
    yield f'block = "{format_size(erase.size_bytes)}"'
    if erase.time is not None:
        yield f'erase_typ = "{format_duration(erase.time.typ_ns)}"'
        yield f'erase_max = "{format_duration(erase.time.max_ns)}"'
