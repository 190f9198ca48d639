"""Damage and doubts in a line for people. Names are as hostile as the image."""

from __future__ import annotations

from simfs.bridges.images.explained import Explained, FileLeft
from simfs.show.units import address, counted, plain, stretch
from simfs.store.log.state import Damage, Doubt

NAME_SIGNS = 60
NAMES_SHOWN = 8
LOST_SHOWN = 3
CAN_NOT_MOUNT = "it can't be mounted"
OLDER = "may be older or shorter than it was"


def marked_damage(damage: Damage) -> str:
    """The same with a word before it that says how certain it is."""
    return f"{'damaged' if damage.certain else 'perhaps damaged'}: {damage_in_words(damage)}"


def damage_in_words(damage: Damage) -> str:
    """Where it is, what is wrong there, and whose bytes are missing."""
    parts = [f"{stretch(damage.begin, damage.end)}: {plain(damage.what, 300)}"]
    parts += [f"hurt: {_names(damage.names)}"] if damage.names else []
    parts += [f"may be older or shorter: {_names(damage.maybe)}"] if damage.maybe else []
    return "; ".join(parts)


def doubt_in_words(doubt: Doubt) -> str:
    """What a mount could not read."""
    why = "a power cut leaves this, and so does damage to what was written last"
    return f"torn: {address(doubt.address)}: {doubt.what}; {why}"


def state_of(file: FileLeft) -> str:
    """What is left of a file."""
    if file.size_bytes is None:
        return "gone" if file.hurt else "it may be gone"
    if file.lost:
        shown = ", ".join(f"{begin:,} to {end:,}" for begin, end in file.lost[:LOST_SHOWN])
        rest = len(file.lost) - LOST_SHOWN
        more = f" and {counted(rest, 'more stretch', 'more stretches')}" * (rest > 0)
        return f"{sum(end - begin for begin, end in file.lost):,} bytes are lost: {shown}{more}"
    if file.hurt:
        return "bytes at its end, or newer ones, are lost"
    return OLDER if file.maybe else "whole"


def verdict_on(found: Explained) -> str:
    """The one line that everything else explains."""
    if found.store is None:
        return f"damaged: {CAN_NOT_MOUNT}"
    if found.damaged:
        return f"damaged in {counted(len(found.damages), 'place')}; {sum_of(found.files)}"
    return f"sound: every byte was read; {counted(len(found.files), 'file')}"


def sum_of(files: tuple[FileLeft, ...]) -> str:
    """How many files are what they were."""
    hurt = sum(file.hurt for file in files)
    maybe = sum(file.maybe and not file.hurt for file in files)
    sound = len(files) - hurt - maybe
    return f"{counted(len(files), 'file')}: {sound:,} sound, {hurt:,} hurt, {maybe:,} may be older or shorter"


def _names(names: tuple[str, ...]) -> str:
    shown = ", ".join(plain(name, NAME_SIGNS) for name in names[:NAMES_SHOWN])
    rest = len(names) - NAMES_SHOWN
    return shown + f" and {rest:,} more" * (rest > 0)
