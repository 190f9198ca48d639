"""Who may know that a store is a log on flash: the contract not, and above it only those that are about it."""

from __future__ import annotations

import pytest

from tests.house.import_graph import MODULES, imports

pytestmark = pytest.mark.together  # with all that reads the sources

SPEAKS_TO_THE_CONTRACT = ("replay", "study", "show", "bridges")
OF_OUR_LOG = ("simfs.store", "simfs.flash", "simfs.files.store", "simfs.files.handle", "simfs.files.log_settings")
ANYBODY_S = {"simfs.flash.rng"}

ABOUT_OUR_LOG = {
    "simfs.replay.batch": "appends to the log that are done together",
    "simfs.replay.scenario.regions": "regions of a chip, in erase blocks",
    "simfs.study.cuts": "power cuts in the programs and erases of our log",
    "simfs.study.both_cuts": "power cuts on a log and a card together",
    "simfs.study.life": "wear of erase blocks",
    "simfs.study.fleet": "wear of erase blocks",
    "simfs.study.wearers": "who wore the erase blocks of our log",
    "simfs.study.film": "what is done to the pages of our log, step by step",
    "simfs.show.film": "the same, told and drawn",
    "simfs.bridges.images": "images of our log",
    "simfs.bridges.testing": "a chip and power cuts for a test",
}
"""Folders that are about flash or our log as a whole."""

IN_PLACES = {
    "simfs.replay.device.device": "asks for the log where appends are done together",
    "simfs.replay.device.room_history": "bytes of appends that were done together",
    "simfs.replay.device.observer": "a log tells what it does to its flash",
    "simfs.replay.device.together": "writes to a log that were done together",
    "simfs.replay.device.notes": "notes on appends that were done together",
    "simfs.replay.starters.answers": "the parts that a first scenario may have",
    "simfs.replay.scenario.media.chip": "the table of a chip",
    "simfs.replay.scenario.tables": "the table of a log",
    "simfs.replay.scenario.crosschecks": "whether the log fits the chip",
    "simfs.replay.play": "makes the store that a scenario describes",
    "simfs.replay.script": "a script's power cut, and a campaign's store",
    "simfs.bridges.mount.deferred": "writes that a log is sure to take",
    "simfs.study.run.expect": "a script may leave its flash without power",
    "simfs.study.run.measure": "figures of wear and life",
    "simfs.study.run.aftermath": "blocks as they stand at the end",
    "simfs.study.advice.of_store": "settings of a log that may be changed",
    "simfs.show.notebook": "the map of erase blocks",
    "simfs.show.sheet.blocks": "the map of erase blocks",
    "simfs.show.sheet.wearing": "why the flash is programmed",
    "simfs.show.parts.catalogue": "the parts",
    "simfs.show.parts.one_part": "a part",
    "simfs.replay.scenario.changed_part": "the figures of a part",
}
"""Modules elsewhere, and what they know it for."""


def known(module: str) -> set[str]:
    """What a module imports of our log and of flash; the seeded numbers stand in `flash`, and belong to nobody."""
    return {name for name in imports(module) if name.startswith(OF_OUR_LOG)} - ANYBODY_S


def test_the_contract_knows_neither_flash_nor_a_log() -> None:
    assert imports("simfs.files.contract") == {"simfs.files.names"}
    assert imports("simfs.files.names") == frozenset()


def test_nobody_else_knows_that_a_store_is_a_log_on_flash() -> None:
    speaking = [name for name in MODULES if name.split(".")[1:2] and name.split(".")[1] in SPEAKS_TO_THE_CONTRACT]
    knowing = {name for name in speaking if known(name) and not name.startswith(tuple(ABOUT_OUR_LOG))}
    assert knowing == set(IN_PLACES)
    assert len(speaking) > 100
