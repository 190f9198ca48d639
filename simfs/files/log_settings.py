"""The settings of our log as reports show them."""

from __future__ import annotations

from dataclasses import asdict

from simfs.files.contract import Settings
from simfs.store.format.config import StoreConfig


def settings_of(config: StoreConfig) -> Settings:
    """By name, and in words."""
    heads = "1 log head" if config.log_heads == 1 else f"{config.log_heads} log heads"
    return Settings(
        asdict(config),
        medium="flash",
        words=(f"{config.cleaner} cleaner", heads, f"{config.packing} packing"),
        metadata="frame headers, checksums, names, block records",
        nearer="packing, buffer, reserve_blocks, cleaner and erase block",
        erase_hint="" if config.idle_cleaning else "idle_cleaning would erase in idle time.",
    )
