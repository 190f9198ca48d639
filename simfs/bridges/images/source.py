"""A store's image in a file: exactly the store's bytes, a dump of the whole chip, Intel HEX or S-records.

The start of the store is given, or found by its own statements: each has the geometry and tells the number of its
block. The file is read once, and never written.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from simfs.bridges.images.finder import SIZE_MAX, Place, find_stores
from simfs.files import Store
from simfs.flash import NorFlash
from simfs.flash.parts import generic
from simfs.show.units import address, counted, stretch
from simfs.store.format.codec import MAGIC, VERSION
from simfs.store.format.statement import Settings, version_of

ERASE_MAGIC = MAGIC.to_bytes(2, "little")
SHOWN_MAX = 5
MISSING_RATIO = 16  # of a store that should be explained at least this part is there
INSTALL = "reading Intel HEX or S-records needs a library: pip install 'simfs[images]'"
_RECORDS = re.compile(rb"\s*(:[0-9A-Fa-f]{10}|S[0-9][0-9A-Fa-f]{8})")
_END = re.compile(rb"(:00[0-9A-Fa-f]{4}01[0-9A-Fa-f]{2}|S[5-9][0-9A-Fa-f]{8,})\s*$")


class BadImage(Exception):
    """The file has no image that can be read; one line."""


@dataclass(frozen=True, slots=True)
class Image:
    """A store's bytes. `address` is that of its first byte in the file's own addresses. `missing` lists the ranges
    (from, to) of the store that the file does not have; they are blank here."""

    path: str
    data: bytes
    settings: Settings
    address: int = 0
    missing: list[tuple[int, int]] = field(default_factory=list)

    def flash(self) -> NorFlash:
        """A new flash with these bytes."""
        settings = self.settings
        sheet = generic(
            settings.block_count,
            block_bytes=settings.block_bytes,
            page_bytes=settings.page_bytes,
            program_unit_bytes=settings.unit_bytes,
            page_programs_max=settings.page_programs_max,
        )
        return NorFlash.from_image(self.data, datasheet=sheet)

    def mount(self) -> Store:
        """The store, mounted read-only. CorruptStore when nothing of it can be given."""
        return Store.mount(self.flash(), read_only=True)


def read_image(path: str, start: int | None = None, *, whole: bool = True) -> Image:
    """The store in a file. `start` is its address there: in a binary the offset, in Intel HEX and S-records the address
    that the lines give. BadImage when there is none, or several without a `start`, or, with `whole`, bytes of it are
    missing. OSError when the file can't be read."""
    with open(path, "rb") as file:
        raw = file.read(SIZE_MAX + 1)
    if len(raw) > SIZE_MAX:
        raise BadImage(
            f"{path}: it has more than {SIZE_MAX:,} bytes, more than any NOR flash; give the dump of one chip"
        )
    if _RECORDS.match(raw):
        first, data = read_records(path, raw)
        place = _choose(path, data, first, start)
        data += b"\xff" * max(place.start + place.size_bytes - len(data), 0)  # such a file leaves out what is blank
    else:
        first, data = 0, raw
        place = _choose(path, data, first, start)
    end = place.end
    if len(data) * MISSING_RATIO < place.size_bytes:
        raise BadImage(
            f"{path}: it has {len(data):,} of the store's {place.size_bytes:,} bytes: too little to explain; give more"
        )
    if whole and (place.start < 0 or end > len(data)):
        begins = "" if place.start >= 0 else f" begins {-place.start:,} bytes after the store does,"
        ends = "" if end <= len(data) else f" ends {end - len(data):,} bytes before the store does,"
        raise BadImage(
            f"{path}: it{begins}{' and' if begins and ends else ''}{ends} and that has {place.size_bytes:,} "
            "bytes; give all of them, or see what is left with `simfs image explain`, and take it with "
            "`simfs image extract --damaged`"
        )
    missing = [(0, -place.start)] if place.start < 0 else []
    missing += [(max(len(data) - place.start, 0), place.size_bytes)] if end > len(data) else []
    there = data[max(place.start, 0) : max(end, 0)]
    before = b"\xff" * min(max(-place.start, 0), place.size_bytes)
    stored = (before + there).ljust(place.size_bytes, b"\xff")
    return Image(path, stored, place.settings, first + place.start, missing)


def read_records(path: str, raw: bytes) -> tuple[int, bytes]:
    """The lowest address, and the bytes from there on, of Intel HEX or S-records; what no line gives is blank. BadImage
    names the line that is wrong, or the library that is missing."""
    try:
        import bincopy
    except ImportError:
        raise BadImage(f"{path}: {INSTALL}") from None
    file = bincopy.BinFile()
    try:
        text = raw.decode("ascii")
        add = file.add_ihex if text.lstrip().startswith(":") else file.add_srec
        add(text)
    except UnicodeDecodeError as error:
        raise BadImage(f"{path}: byte {error.start} is not text; Intel HEX and S-records are") from None
    except (bincopy.Error, ValueError, IndexError) as error:
        raise BadImage(f"{path}: a line can't be read: {error}; write the file again") from None
    if not _END.search(raw):
        raise BadImage(f"{path}: it has no end line: it was cut short; write the file again")
    pieces = sorted((int(segment.address), bytes(segment.data)) for segment in file.segments)
    if not pieces:
        raise BadImage(f"{path}: its lines hold no bytes")
    first, last = pieces[0][0], max(begin + len(data) for begin, data in pieces)
    if last - first > SIZE_MAX:
        raise BadImage(
            f"{path}: its addresses reach from {stretch(first, last)}, further than any NOR flash; "
            "give the lines of one chip"
        )
    whole = bytearray(b"\xff" * (last - first))
    for begin, data in pieces:
        whole[begin - first : begin - first + len(data)] = data
    return first, bytes(whole)


def _choose(path: str, data: bytes, first: int, start: int | None) -> Place:
    """The one store that is meant."""
    places = find_stores(data)
    if not places:
        raise BadImage(f"{path}: {_no_store(data)}")
    found = ", ".join(
        f"{address(first + place.start)} ({place.size_bytes:,} bytes, with records in {counted(place.blocks, 'block')})"
        for place in places[:SHOWN_MAX]
    )
    if start is not None:
        meant = [place for place in places if first + place.start == start]
        if not meant:
            raise BadImage(f"{path}: no store begins at {address(start)}; found is one that begins at {found}")
        return meant[0]
    if len(places) > 1:
        raise BadImage(f"{path}: more than one store is in it, beginning at {found}; choose one with --start")
    return places[0]


def _no_store(data: bytes) -> str:
    """Why nothing can be read."""
    if not data:
        return "it is empty; give the dump of a flash"
    if not data.strip(b"\xff"):
        return f"all {len(data):,} bytes of it are blank: it holds no store; give the dump of a formatted one"
    at = data.find(ERASE_MAGIC)
    while at >= 0:
        version = version_of(data[at : at + 16])
        if version is not None:
            return f"the store at {address(at)} has format version {version}; this simfs reads {VERSION}"
        at = data.find(ERASE_MAGIC, at + 1)
    return "it holds no store: no sound statement is in it; give a dump of the flash, not a file of the store"
