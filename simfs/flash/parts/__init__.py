"""The catalogue of parts, each figure with its source. It must not know scenarios, or how a part is shown."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any, cast

from simfs.flash.datasheet import Datasheet
from simfs.flash.parts.invented import BUILT_IN, BUILT_IN_LARGE, BUILT_IN_SERIAL, GENERIC
from simfs.flash.parts.serial import SERIAL_PARTS

__all__ = ["GENERIC", "PARTS", "generic", "sheet_of"]

PARTS: dict[str, Datasheet] = {
    sheet.name: sheet
    for sheet in (
        *(sheet for part in SERIAL_PARTS for sheet in part.datasheets()),
        GENERIC,
        BUILT_IN_SERIAL,
        BUILT_IN,
        BUILT_IN_LARGE,
    )
}


@lru_cache(maxsize=64)
def generic(block_count: int, **sizes: int) -> Datasheet:
    """The generic part with so many erase blocks, and other `sizes` by the datasheet's field names."""
    block_bytes = sizes.get("block_bytes", GENERIC.block_bytes)
    return replace(GENERIC, size_bytes=max(1, block_count) * block_bytes, **cast(dict[str, Any], sizes))


def sheet_of(block_count: int, datasheet: Datasheet | None, **sizes: int | None) -> Datasheet:
    """The datasheet, or else that of the generic part, with those `sizes` that are given. ValueError when a datasheet
    says otherwise."""
    given = {field: size for field, size in sizes.items() if size is not None}
    return generic(block_count, **given) if datasheet is None else datasheet.agreeing(given)
