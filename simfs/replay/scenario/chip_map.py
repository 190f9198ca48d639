"""Where the regions of a scenario lie, and what they mean for its store and its wear."""

from __future__ import annotations

from simfs.replay.device.rewritten import Rewritten
from simfs.replay.scenario.crosschecks import region_blocks, store_region
from simfs.replay.scenario.regions.placing import Placed, erased_every_ns, place
from simfs.replay.scenario.regions.tables import Region
from simfs.replay.scenario.tables import Scenario


def regions_of(sound: Scenario) -> list[Placed]:
    """Where each region lies. Without regions, there is the store alone."""
    if sound.region:
        return place(sound.region, sound.chip.datasheet())
    blocks_bytes = region_blocks(sound.chip, sound.store) * sound.chip.datasheet().block_bytes
    return [Placed(0, Region(name="store", holds="store"), sound.store.start, blocks_bytes)]


def rewritten_regions(sound: Scenario) -> tuple[Rewritten, ...]:
    """The regions that the firmware erases by itself, in the order of the file."""
    each = [(one, erased_every_ns(one.region, sound.region, sound.releases)) for one in regions_of(sound)]
    return tuple(
        Rewritten(one.region.name, one.start_bytes, one.size_bytes, every_ns)
        for one, every_ns in each
        if every_ns is not None
    )


def with_store_placed(sound: Scenario) -> Scenario:
    """The same with the place of the region that holds the store as that of the store."""
    held = store_region(sound.chip, sound.region)
    if held is None:
        return sound
    store = sound.store.model_copy(update={"start": held.start_bytes, "size": held.size_bytes})
    return sound.model_copy(update={"store": store})
