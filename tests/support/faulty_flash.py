"""A flash with faults at work: seeded operations, their outcomes, and one digest of it all."""

from __future__ import annotations

from collections.abc import Callable
from hashlib import sha256

from simfs.flash import (
    Cut,
    Error,
    Faults,
    FlashError,
    Flip,
    NorFlash,
    Plan,
    PowerCut,
    Profile,
    Rng,
    Rot,
    Weibull,
    Worn,
)


def flash_with(faults: Faults, blocks: int = 4) -> NorFlash:
    return NorFlash(blocks, 512, 64, faults=Plan(faults))


def outcome(operation: Callable[[], object]) -> str:
    """What an operation ended in, in one word."""
    try:
        operation()
    except (FlashError, PowerCut) as error:
        return type(error).__name__
    return "done"


def work(flash: NorFlash, seed: int) -> list[str]:
    """Some seeded operations, each with its outcome; the power comes back after each cut."""
    rng, outcomes = Rng(seed, "work"), []
    size, block_bytes = flash.geometry.size_bytes, flash.geometry.block_bytes
    for _ in range(120):
        address, length, choice = rng.below(size // 16) * 16, 1 + rng.below(16), rng.below(8)
        data = rng.random_bytes(length)
        if choice == 0:
            outcomes.append(outcome(lambda address=address: flash.erase(address // block_bytes)))
        elif choice < 4:
            try:
                old = flash.read(address, length)
                flash.program(address, bytes(a & b for a, b in zip(data, old, strict=True)))
                outcomes.append(old.hex())
            except (FlashError, PowerCut) as error:
                outcomes.append(type(error).__name__)
            except ValueError:  # weak bits have read otherwise in between
                outcomes.append("refused")
        else:
            outcomes.append(outcome(lambda at=(address, length): flash.read(*at)))
        if not flash.powered:
            flash.power_on()
    return outcomes


def everything(seed: int) -> Faults:
    """All kinds of faults at once."""
    return Faults(
        seed=seed,
        profile=tuple(Profile)[seed % 3],
        cuts=(
            Cut(4, "bits half", "program"),
            Cut(9, "bits most", "program"),
            Cut(1, "rising half", "erase"),
            Cut(40, of="read"),
        ),
        errors=(Error("program", 12, leaves="bits few"), Error("erase", 3, leaves="weak"), Error("read", 60, 1, True)),
        flips=(Flip(100, 3, 50), Flip(200, 5, 90)),
        rot=(Rot(1e-3, "read"), Rot(1e-4)),
        worn=Worn(drawn=Weibull(12, 2), stuck_erases=2),
        weak=("power-on", "read")[seed % 2],
    )


def digest(seeds: int = 12) -> str:
    """The SHA-256 over all that flashes with all faults answered, held and took."""
    found = sha256()
    for seed in range(seeds):
        flash = flash_with(everything(seed))
        found.update("\n".join(work(flash, seed)).encode() + flash.image() + repr(flash.counts).encode())
        found.update(repr([Weibull(1e5, 2.7).limit_cycles(seed, block) for block in range(8)]).encode())
    return found.hexdigest()


if __name__ == "__main__":
    print(digest())
