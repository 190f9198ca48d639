"""Survivors of the mutation run that no test can kill, each with the reason. A key is the module and the changed lines,
as the run prints them."""

from __future__ import annotations

ROUNDED = "the clock of no part in the catalogue gives another whole number of ns"
NO_SUCH_ADDRESS = "an address or none: no frame stands below the header of block 0"

EXPLAINED: dict[str, str] = {
    """simfs.files.store
- known = self.name_rules.encode if config.overlong == "cut" else lru_cache(1024)(self.name_rules.encode)
+ known = self.name_rules.encode if config.overlong == "cut" else lru_cache(1025)(self.name_rules.encode)""": (
        "how many names are remembered changes the time only"
    ),
    """simfs.flash.nor
- self._program_end = self._simple_end = self._read_end if simple else 0
+ self._program_end = self._simple_end = self._read_end if simple else (-1)""": "no address is below 0 either",
    """simfs.flash.parts.serial
- read_byte_ns=round(8_000 / self.read_mhz),
+ read_byte_ns=round(7999 / self.read_mhz),""": ROUNDED,
    """simfs.flash.parts.serial
- read_overhead_ns=round(32_000 / self.read_mhz),
+ read_overhead_ns=round(31999 / self.read_mhz),""": ROUNDED,
    """simfs.store.tables.blocks
- self.erase_count_max = 0
+ self.erase_count_max = (-1)""": (
        "formatting and mounting note each block's erase count before anybody asks for the highest"
    ),
    """simfs.store.cleaning.cleaner
- fits, looked = False, -1
+ fits, looked = False, -0""": "the log's sequence number is never 0 here: the first frame is fitted in by nobody",
    """simfs.store.file_bytes
- if len(node.buffer) >= self._buffer_bytes:
+ if (len(node.buffer) > self._buffer_bytes):""": "a buffer that is just full is one frame either way",
    """simfs.store.check
- live[blocks.of(abs(place))] += layout.cost(end - start) if place > 0 else layout.hole_cost
+ live[blocks.of(abs(place))] += layout.cost(end - start) if place > 1 else layout.hole_cost""": NO_SUCH_ADDRESS,
}
