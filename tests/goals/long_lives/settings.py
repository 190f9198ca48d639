"""The settings of a life: the flash, the store, and how often the power goes; drawn from a seed, or given as words."""

from __future__ import annotations

from dataclasses import dataclass, fields
from random import Random
from typing import Any

from simfs import NorFlash, Store, StoreConfig
from simfs.flash.interrupted import Profile
from simfs.store.format.config import CLEANERS, OVERLONG, PACKINGS

GEOMETRY = ("block_count", "block_bytes", "page_bytes", "program_unit_bytes", "page_programs_max")
CONFIG = tuple(field.name for field in fields(StoreConfig))
SIZE_MAX = 1 << 15  # bytes of most flashes, so that a cut takes milliseconds
TRIES = 400

Values = dict[str, Any]


@dataclass(frozen=True)
class Setting:
    """By name, beside the sizes of the flash and the settings of the store:

    profile    what an interrupted program may spoil
    failing    so many blocks fail for ever, sooner or later
    reformats  1: the store is formatted anew now and then, with other settings, and formats are cut too
    gap        a cut comes after at most so many changes
    sags       of 100 cuts so many begin a chain: a few more cuts within a few changes each, often inside a recovery
    weak       0: what the cuts leave reads the same for ever
    """

    values: Values

    def flash(self, faults: Any = None) -> NorFlash:
        """Where the programs of a page are limited, one too many is noted only: what a cut leaves no trace of can't be
        counted."""
        strict = not self.values["page_programs_max"]
        return NorFlash(**{name: self.values[name] for name in GEOMETRY}, faults=faults, strict=strict)

    @property
    def config(self) -> StoreConfig:
        return config_of(self.values)

    def stored(self, config: StoreConfig) -> StoreConfig:
        """These settings of a store as a mount finds them: what was left open is settled."""
        flash = self.flash()
        Store.format(flash, config)
        return Store.mount(flash, read_only=True).config

    def __str__(self) -> str:
        return " ".join(f"{name}={value}" for name, value in self.values.items())


def config_of(values: Values) -> StoreConfig:
    return StoreConfig(**{name: values[name] for name in CONFIG if name in values})


def draw(seed: int, given: Values) -> tuple[Setting, int]:
    """The setting of a seed, with some values given instead of drawn, and how many were refused before it."""
    for refused in range(TRIES):
        random = Random(f"setting {seed} {refused}")
        values = {**_flash(random), **_store(random), **_cuts(random)}
        values = {**values, **given}
        if values["packing"] == "byte" and "profile" not in given:
            values["profile"] = Profile.PROGRAM.value
        setting = Setting(values)
        try:
            Store.format(setting.flash(), setting.config)
        except ValueError:
            continue
        except Exception:
            pass  # the life will show it
        return setting, refused
    raise ValueError(f"no store can be formatted with {given}")


def other_config(setting: Setting, random: Random) -> StoreConfig:
    """Other settings of a store that fit the same flash and the same names."""
    kept = {name: setting.values[name] for name in ("packing", "name_bytes", "overlong")}
    for _ in range(TRIES):
        values = {**_store(random), **kept}
        try:
            Store.format(setting.flash(), config_of(values))
        except ValueError:
            continue
        return config_of(values)
    return setting.config


def _flash(random: Random) -> Values:
    block = random.choice((256, 512, 512, 1024, 1024, 2048, 4096))
    page = random.choice([size for size in (32, 64, 128, 256) if size <= block])
    most = 64 if random.random() < 0.03 else min(64, max(10, SIZE_MAX // block))
    return {
        "block_count": min(random.choice((6, 7, 8, 9, 10, 12, 16, 24, 64)), most),
        "block_bytes": block,
        "page_bytes": page,
        "program_unit_bytes": random.choice((1, 1, 1, 4, 8, 16)),
        "page_programs_max": random.choice((0, 0, 0, 0, 2, 4, 8, 16)),
    }


def _store(random: Random) -> Values:
    return {
        "cleaner": random.choice(CLEANERS),
        "choices": random.randrange(1, 5),
        "log_heads": random.choice((1, 2)),
        "packing": random.choice(PACKINGS),
        "buffer_bytes": random.choice((None, None, 16, 40, 64, 110, 200)),
        "level_threshold": random.choice((0, 1, 2, 8)),
        "idle_cleaning": random.random() < 0.5,
        "name_bytes": random.choice((8, 12, 16)),
        "overlong": random.choice(OVERLONG),
        "fold_case": random.random() < 0.3,
        "seed": random.randrange(1000),
    }


def _cuts(random: Random) -> Values:
    return {
        "profile": random.choice((Profile.PROGRAM, Profile.PROGRAM, Profile.PROGRAM, Profile.PAGE)).value,
        "failing": random.choice((0, 0, 0, 0, 0, 1, 2)),
        "reformats": random.choice((0, 0, 0, 1)),
        "gap": random.choice((5, 20, 60, 60)),
        "sags": random.choice((0, 10, 30)),
        "weak": 1,
    }


def parse_values(text: str) -> Values:
    """The values of words such as log_heads=2; ValueError names a word that is none."""
    values: Values = {}
    for word in text.split():
        name, equals, value = word.partition("=")
        if not equals or name not in (*GEOMETRY, *CONFIG, "profile", "failing", "reformats", "gap", "sags", "weak"):
            raise ValueError(f"{word!r} is no setting; right would be, for example, log_heads=2")
        words = {"True": True, "False": False, "None": None}
        values[name] = words[value] if value in words else int(value) if value.isdecimal() else value
    return values
