"""Prints a path in detail, change by change:

    python -m tests.goals.world.trace 'one head; start 3; mount, cut 0; 0 reads all, append a, off'

For each power-on: the weak groups and how each reads, every change with its block, the place in the block and the
structure that stands there afterwards, and what the store acknowledged. At the end all blocks as the last power-on read
them. `--no-blocks` leaves these out.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator

from simfs.flash import Geometry
from simfs.flash.trace import Change
from simfs.store.format.dump import dump_block
from tests.goals.world.chips import Group
from tests.goals.world.paths import Gone, NoSuchPath, go, parse
from tests.goals.world.power_on import shown
from tests.goals.world.settings import World
from tests.goals.world.states import chip_of


def lines_of(text: str, blocks: bool = True) -> Iterator[str]:
    """The lines of the report on a path."""
    world, _, _ = parse(text)
    geometry = world.flash.geometry
    yield f"{geometry.block_count} blocks of {geometry.block_bytes} bytes, pages of {geometry.page_bytes}, {world}"
    gone = None
    for number, gone in enumerate(go(text)):
        yield ""
        yield f"power-on {number}; allowed: {' or '.join(map(shown, gone.readings.off.allowed))}"
        yield from _groups(gone, geometry)
        yield from _changes(gone, world)
        if gone.problem:
            yield f"  BROKEN: {gone.problem}"
    if blocks and gone is not None:
        yield ""
        yield "all blocks as this power-on reads them:"
        for block in range(geometry.block_count):
            raw = gone.image[block * geometry.block_bytes : (block + 1) * geometry.block_bytes]
            yield f"  block {block}"
            yield from (f"    {line}" for line in dump_block(raw, block))


def _groups(gone: Gone, geometry: Geometry) -> Iterator[str]:
    chosen = dict(gone.step.choices)
    for number, group in enumerate(gone.readings.off.groups):
        read = gone.readings.ways[number][chosen[number]] if number in chosen else "whatever"
        yield f"  weak group {number}: {_place(group, geometry)} reads {read}{' (fresh)' if group.fresh else ''}"


def _place(group: Group, geometry: Geometry) -> str:
    block, at = divmod(group.start, geometry.block_bytes)
    what = "erase" if group.change.data is None else "program"
    cells = sum(mask.bit_count() for mask in group.mask)
    return f"{cells} cells of block {block} from {at:#x} to {at + len(group.mask):#x}, of a cut {what},"


def _changes(gone: Gone, world: World) -> Iterator[str]:
    outcome = gone.outcome
    cells, size = bytearray(gone.image), world.flash.geometry.block_bytes
    chip = chip_of(gone.readings.off, world)
    for number, noted in enumerate(outcome.noted):
        yield from _acknowledged(gone, number)
        if number == gone.step.cut:
            yield f"  {number:3} CUT in {_structure(noted.change, cells, size)}"
            return
        yield f"  {number:3} {_structure(noted.change, cells, size)}"
        chip.apply(noted)
    yield from _acknowledged(gone, len(outcome.noted))


def _acknowledged(gone: Gone, changes: int) -> Iterator[str]:
    for number, (at, contents) in enumerate(gone.outcome.marks):
        if at == changes:
            what = f"{gone.step.operation} acknowledges" if number else "the mount finds"
            yield f"      {what} {shown(contents)}"


def _structure(change: Change, cells: bytearray, size: int) -> str:
    """The change in words, which it also makes in `cells`."""
    block, at = divmod(change.address, size)
    start = block * size
    if change.data is None:
        cells[start : start + size] = b"\xff" * size
        return f"block {block} erase"
    for place, byte in enumerate(change.data, change.address):
        cells[place] &= byte
    found = [(int(line[:4], 16), line) for line in dump_block(bytes(cells[start : start + size]), block)]
    end = at + len(change.data)
    first = max((place for place, _ in found if place <= at), default=0)
    named = " | ".join(line for place, line in found if first <= place < end)
    return f"block {block} {at:#05x} {len(change.data):3} bytes {change.data[:20].hex()}: {named}"


def main() -> None:
    parser = argparse.ArgumentParser(description="Print a path through the small world in detail.")
    parser.add_argument("path", help="as a violation prints it")
    parser.add_argument("--no-blocks", action="store_true", help="without the blocks at the end")
    chosen = parser.parse_args()
    try:
        for line in lines_of(chosen.path, not chosen.no_blocks):
            print(line)
    except NoSuchPath as error:
        print(f"the path ends here: {error}")


if __name__ == "__main__":
    main()
