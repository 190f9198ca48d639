"""Coverage-guided fuzzing of a mount, scenarios, recordings and console logs, with atheris (`pip install -e .[fuzz]`).

    python -m tests.hostile.fuzz mount -max_total_time=60
    python -m tests.hostile.fuzz scenario NEW_DIR -max_total_time=600
    python -m tests.hostile.fuzz recording CRASH_FILE

It begins with the kept corpus. What it finds goes to NEW_DIR, or is dropped; `tests.hostile.corpus` keeps of it what
adds coverage. Options are libFuzzer's. An input that breaks the promise ends it and is written to a file.
"""

from __future__ import annotations

import sys
import tempfile
import tomllib
from collections.abc import Callable
from random import Random

import atheris

with atheris.instrument_imports(include=["simfs"]):
    from tests.hostile.corpus import KEPT, TARGETS, UNIT_BYTES_MAX, base_of, unit_of
    from tests.hostile.inputs.anatomy import put_together, take_apart
    from tests.hostile.inputs.bases import SHAPES, Base
    from tests.hostile.inputs.consoles import console_line
    from tests.hostile.inputs.images import change_some
    from tests.hostile.inputs.recordings import another_line
    from tests.hostile.inputs.scenarios import change_table, damaged_text
    from tests.hostile.inputs.toml_text import toml_text

TEXT_BYTES_MAX = 8192


class PromiseBroken(Exception):
    """Not a documented error, a hang, or something wrong without a word."""


def mutate_image(raw: bytes, random: Random) -> bytes:
    """A few structures changed, checksums repaired."""
    base = base_of(raw)
    blocks = take_apart(base.image, SHAPES[base.shape].block_bytes)
    change_some(blocks, random)
    return unit_of(Base(base.shape, put_together(blocks)))


def mutate_scenario(raw: bytes, random: Random) -> bytes:
    """A few values changed where the text is TOML, damaged text where it is not."""
    try:
        table = tomllib.loads(raw.decode())
        change_table(table, random)
        return toml_text(table).encode()
    except (ValueError, RecursionError):
        return damaged_text(raw, random)


def mutate_recording(raw: bytes, random: Random) -> bytes:
    """A line more, or damaged text."""
    if random.randrange(2):
        return damaged_text(raw, random)
    lines = raw.split(b"\n")
    lines.insert(random.randrange(len(lines) + 1), another_line(random))
    return b"\n".join(lines)


def mutate_console(raw: bytes, random: Random) -> bytes:
    """A line more, whose checksum mostly fits, or damaged text."""
    if random.randrange(2):
        return damaged_text(raw, random)
    lines = raw.split(b"\n")
    at = random.randrange(len(lines) + 1)
    lines.insert(at, console_line(random, at))
    return b"\n".join(lines)


MUTATORS: dict[str, tuple[Callable[[bytes, Random], bytes], int]] = {
    "mount": (mutate_image, UNIT_BYTES_MAX),
    "scenario": (mutate_scenario, TEXT_BYTES_MAX),
    "recording": (mutate_recording, TEXT_BYTES_MAX),
    "console": (mutate_console, TEXT_BYTES_MAX),
}


def main() -> None:
    target, *words = sys.argv[1:]
    judge = TARGETS[target]
    mutate, size_max = MUTATORS[target]

    def one(raw: bytes) -> None:
        outcome, fault = judge(raw)
        if fault is not None:
            raise PromiseBroken(f"{outcome}: {fault}")

    def mutated(raw: bytes, size: int, seed: int) -> bytes:
        random = Random(seed)
        if random.randrange(4) == 0:
            return bytes(atheris.Mutate(raw, size))
        return mutate(raw, random)[:size]

    with tempfile.TemporaryDirectory() as dropped:
        places = [word for word in words if not word.startswith("-")] or [dropped]
        options = [word for word in words if word.startswith("-")]
        arguments = [sys.argv[0], f"-max_len={size_max}", *options, *places]
        if places[0] == dropped or "-runs=0" not in options:
            arguments.append(str(KEPT / target))
        atheris.Setup(arguments, one, custom_mutator=mutated)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
