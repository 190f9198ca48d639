"""Rows 7, 10, 15 and 16: rotten bits, hostile images and names, planted bugs; what they try stands in `hostile` and
`planted`."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from goals_table import Outcome, Row, shares
from hostile.flips import BITS, run_flips
from hostile.images import run_images
from hostile.names import run_names
from hostile.tally import Tally

FLIPS_PER_PART = 1000
IMAGES_PER_PART = 500
NAMES_PER_PART = 1000


def flip_parts(cases: int) -> Iterator[str]:
    """Every bit; read-only and, of every eighth, also with a mount that may write."""
    step = max(1, round(BITS / cases))
    size = FLIPS_PER_PART * step
    for how, sparse in (("read-only", step), ("writable", 8 * step)):
        for first in range(0, BITS, size * sparse // step):
            yield f"{how}; bits {first} to {min(first + size * sparse // step, BITS)} step {sparse}"


def run_flip_part(part: str) -> Outcome:
    how, which = part.split("; ")
    _, first, _, last, _, step = which.split()
    tally = run_flips(int(step), int(first), int(last), writable=how == "writable")
    return as_outcome(part, tally)


def as_outcome(part: str, tally: Tally) -> Outcome:
    outcome = Outcome(tally.cases)
    outcome.counts.update(tally.outcomes)
    for line in tally.violations:
        outcome.violated(part, line)
    return outcome


def seeded_parts(size: int, cases: int) -> Iterator[str]:
    for seed, count in enumerate(shares(cases, size)):
        yield f"{count} cases; seed {seed}"


def run_seeded(run: Callable[[int, int], Tally], part: str) -> Outcome:
    cases, seed = part.split("; ")
    return as_outcome(part, run(int(cases.split()[0]), int(seed.split()[1])))


def image_parts(cases: int) -> Iterator[str]:
    return seeded_parts(IMAGES_PER_PART, cases)


def run_image_part(part: str) -> Outcome:
    return run_seeded(run_images, part)


def name_parts(cases: int) -> Iterator[str]:
    return seeded_parts(NAMES_PER_PART, cases)


def run_name_part(part: str) -> Outcome:
    return run_seeded(run_names, part)


ROWS = [
    Row(7, "every single-bit flip of a 16 KiB store, padding included", BITS, flip_parts, run_flip_part),
    Row(
        10, "corrupt images, half with checksums repaired: only documented errors, no hang", 1_000_000,
        image_parts, run_image_part,
    ),
    Row(16, "hostile names: nothing outside the store, no markup, no formula", 100_000, name_parts, run_name_part),
]  # fmt: skip
