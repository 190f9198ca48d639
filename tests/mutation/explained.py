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
- self._program_end = self._read_end if simple else 0
+ self._program_end = self._read_end if simple else (-1)""": "no address is below 0 either",
    """simfs.flash.parts
- read_byte_ns=round(8_000 / self.read_mhz),
+ read_byte_ns=round(7999 / self.read_mhz),""": ROUNDED,
    """simfs.flash.parts
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
    """simfs.store.mounting.mount
- for doubted in (False, True):
+ for doubted in (True, True):""": "a frame only takes life from older blocks: dead without the newest is dead with it",
    """simfs.store.mounting.mount
- if head is not None and found is not None:
+ if (head is not None or found is not None):""": "the frames of every open block were read",
    """simfs.store.file_bytes
- if len(node.buffer) >= self._buffer_bytes:
+ if (len(node.buffer) > self._buffer_bytes):""": "a buffer that is just full is one frame either way",
    """simfs.store.mounting.mount
- if live and live == sum(cost for _, cost in here):
+ if (live or live == sum((cost for _, cost in here))):""": (
        "takes the cost of tombstones off where more than that is live, and something stays live; or where nothing is"
    ),
    """simfs.store.mounting.missing_numbers
- torn = [use for use in heads if use.found is not None and use.found.content_end > use.found.end]
+ torn = [use for use in heads if (use.found is not None or use.found.content_end > use.found.end)]""": (
        "a head behind whose last frame nothing stands lacks none: the look is in vain"
    ),
    """simfs.store.mounting.missing_numbers
- if frames and frames[-1].order - frames[0].order == len(frames) - 1:
+ if frames and frames[-0].order - frames[0].order == len(frames) - 1:""": "the long way finds none missing either",
    """simfs.store.log.block_scan
- if len(found.frames) > known:
+ if (len(found.frames) >= known):""": "what is known already is only noted again",
    """simfs.store.volume
- state.log.sequence = max(state.log.sequence, header.base + ORDER_MAX + 1)
+ state.log.sequence = max(state.log.sequence, header.base + ORDER_MAX + 0)""": (
        "it becomes the base of a block, above which its frames begin: above all that the older block can hold"
    ),
    """simfs.store.volume
- state.log.sequence = max(state.log.sequence, header.base + ORDER_MAX + 1)
+ state.log.sequence = max(state.log.sequence, header.base + ORDER_MAX + 2)""": "one number more is left out",
    """simfs.store.check
- live[blocks.of(abs(place))] += layout.cost(end - start) if place > 0 else layout.hole_cost
+ live[blocks.of(abs(place))] += layout.cost(end - start) if place > 1 else layout.hole_cost""": NO_SUCH_ADDRESS,
}
