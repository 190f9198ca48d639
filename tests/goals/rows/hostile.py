"""Rows 7, 10 and 16: rotten bits, hostile images, names, scenarios and recordings; what they try stands in
`hostile`."""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil

from tests.goals.table import Outcome, Row, shares
from tests.hostile.inputs.extraction import run_extraction
from tests.hostile.inputs.flips import BITS, run_flips
from tests.hostile.inputs.images import run_images
from tests.hostile.inputs.names import run_names
from tests.hostile.inputs.recordings import run_recordings
from tests.hostile.inputs.scenarios import run_scenarios
from tests.hostile.tally import Tally

FLIPS_PER_PART = 1000


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


def seeded_parts(sort: str, size: int, cases: int) -> Iterator[str]:
    for seed, count in enumerate(shares(cases, size)):
        yield f"{sort}; {count} cases; seed {seed}"


def image_parts(cases: int) -> Iterator[str]:
    return seeded_parts("images", 500, cases)


def text_parts(cases: int) -> Iterator[str]:
    """Names through the store, names and containers taken out of images, and in proportion to what they take scenarios
    and recordings."""
    yield from seeded_parts("names", 1000, cases)
    yield from seeded_parts("extraction", 1000, cases)
    yield from seeded_parts("scenarios", 100, ceil(cases * SCENARIOS_SHARE))
    yield from seeded_parts("recordings", 100, ceil(cases * RECORDINGS_SHARE))


RUNS = {
    "images": run_images,
    "names": run_names,
    "extraction": run_extraction,
    "scenarios": run_scenarios,
    "recordings": run_recordings,
}
SCENARIOS_SHARE = RECORDINGS_SHARE = 0.05


def run_seeded(part: str) -> Outcome:
    sort, cases, seed = part.split("; ")
    outcome = as_outcome(part, RUNS[sort](int(cases.split()[0]), int(seed.split()[1])))
    if sort != "images":
        outcome.counts.clear()  # there are too many to show
        outcome.counts[sort] = outcome.tried
    return outcome


ROWS = [
    Row(7, "every single-bit flip of a 16 KiB store, padding included", BITS, flip_parts, run_flip_part),
    Row(
        10, "corrupt images, half with checksums repaired: only documented errors, no hang", 1_000_000,
        image_parts, run_seeded,
    ),
    Row(
        16, "hostile names, containers, scenarios, recordings: nothing outside the destination, no markup", 100_000,
        text_parts, run_seeded,
    ),
]  # fmt: skip
