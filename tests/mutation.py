"""How many small slips in the core would the core's tests notice? `python tests/mutation.py --help`.

Takes a seeded sample of all mutants (`mutants.py`) of flash, store and files, and runs the core suite on each, first
the tests of the mutant's own module, each in a process of its own (`forked_tests.py`), up to the first test that fails.
A mutant is killed when a test fails or never ends. Prints the score and every survivor; why a survivor changes nothing
stands in `mutants_explained.py`.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random

from forked_tests import ROOT, Job, run, source_path
from mutants import Mutant, modules_of, mutants_of
from mutants_explained import EXPLAINED
from tqdm import tqdm

CORE = (
    "test_flash_*.py", "test_rng.py", "test_format.py", "test_store_*.py", "test_modes.py", "test_files_*.py",
)  # fmt: skip
# The tests that know a module best, beside those with its room and its own name in theirs.
NEAR = {
    "simfs.flash.rng": ["test_rng.py"],
    "simfs.flash.parts": ["test_flash_parts.py"],
    "simfs.flash.counts": ["test_flash_parts.py", "test_flash_nor.py"],
    "simfs.flash.datasheet": ["test_flash_parts.py", "test_flash_nor.py"],
    "simfs.store.codec": ["test_format.py", "test_store_mount.py"],
    "simfs.store.format": ["test_format.py"],
    "simfs.store.dump": ["test_format.py"],
    "simfs.store.runs": ["test_store_index.py"],
    "simfs.store.layout": ["test_store_full.py", "test_files_store.py", "test_store_log.py"],
    "simfs.store.room": ["test_store_full.py", "test_files_store.py"],
    "simfs.store.policies": ["test_store_policies.py"],
    "simfs.store.file_bytes": ["test_files_io.py", "test_store_full.py"],
    "simfs.store.config": ["test_store_mount.py"],
    "simfs.store.setup": ["test_store_mount.py"],
    "simfs.files.modes": ["test_modes.py"],
    "simfs.files.handle": ["test_files_io.py", "test_files_store.py"],
}
NEAR_ROOM = {
    "flash": ["test_flash_nor.py", "test_flash_faults.py", "test_flash_faults_left.py", "test_flash_faults_wear.py"],
    "store": [
        "test_store_claims.py",
        "test_store_rules.py",
        "test_store_replay.py",
        "test_store_cleaner.py",
        "test_store_full.py",
        "test_store_mount.py",
    ],
    "files": ["test_files_store.py", "test_files_names.py", "test_files_model.py"],
}
# Campaigns in small, which take as long as all the rest: they are in the wider suite only.
LONG = "test_no_flipped_bit or test_a_cut_around_a_retirement or test_orders_beyond_16_bits"
WIDER = ("test_power_cut_quick.py", "test_campaign_power_cuts.py", "test_differential_*.py", "test_hostile_store.py")
LONG_AND_WIDER = " or ".join([LONG, *(f"{pattern[:-3].rstrip('*')}" for pattern in WIDER)])
PARTS = ("near tests", "core suite", "wider suite")
WIDER_PART = 2
ROOMS = ("flash", "store", "files")
KILLED = ("failed", "hung")


def files_of(patterns: Iterable[str]) -> list[str]:
    return [path.name for pattern in patterns for path in sorted((ROOT / "tests").glob(pattern))]


def tests_for(module: str) -> list[tuple[list[str], str]]:
    """What to run, part by part, each with what to select of it: tests that are likely to notice a change of the
    module, the rest of the core suite, and the wider suite."""
    core = files_of(CORE)
    _, room, own = module.split(".")[:3] if module.count(".") > 1 else (*module.split("."), "")
    named = [name for name in core if own and name.startswith(f"test_{room}_{own}")]
    near = list(dict.fromkeys([*named, *NEAR.get(module, NEAR_ROOM[room])]))
    parts = [near, [name for name in core if name not in near], [*core, *files_of(WIDER)]]
    return [
        ([f"tests/{name}" for name in part], wanted)
        for part, wanted in zip(parts, (f"not ({LONG})", f"not ({LONG})", LONG_AND_WIDER), strict=True)
    ]


def sample_of(count: int, seed: int, only: str) -> dict[str, Mutant]:
    """So many mutants by name, in the order of their places; all when `count` is 0."""
    every: list[Mutant] = []
    for module in modules_of(*ROOMS):
        if only in module:
            every += mutants_of(module, source_path(module).read_text())
    chosen = Random(seed).sample(every, count) if 0 < count < len(every) else every
    print(f"{len(chosen)} of {len(every)} mutants, seed {seed}")
    return {str(number): mutant for number, mutant in enumerate(sorted(chosen))}


@dataclass
class Verdict:
    """`part`: in which part of the tests the mutant was killed; the number of parts: in none. `how` is the status."""

    part: int
    how: str = ""


def try_all(mutants: dict[str, Mutant], sources: dict[str, str], workers: int, parts: int) -> dict[str, Verdict]:
    """The verdict on each mutant: of its near tests, then, if it survives those, of the others, and so on."""
    verdicts = {name: Verdict(parts) for name in mutants}
    for part in range(parts):
        left = [name for name, verdict in verdicts.items() if verdict.part == parts]
        jobs = (job_of(name, mutants[name], sources, part) for name in left)
        for outcome in tqdm(run(jobs, workers), total=len(left), desc=PARTS[part]):
            if outcome.status == "broken":
                raise SystemExit(f"mutant {outcome.name} could not be tried:\n{outcome.text}")
            if outcome.status in KILLED:
                verdicts[outcome.name] = Verdict(part, outcome.status)
            elif part:
                mutant = mutants[outcome.name]
                tqdm.write(f"{PARTS[part]} passed: {mutant.module}\n{mutant.diff(sources[mutant.module])}", sys.stderr)
    return verdicts


def job_of(name: str, mutant: Mutant, sources: dict[str, str], part: int) -> Job:
    tests, selected = tests_for(mutant.module)[part]
    return Job(name, tests, mutant.module, mutant.source(sources[mutant.module]), selected)


def report(mutants: dict[str, Mutant], sources: dict[str, str], verdicts: dict[str, Verdict]) -> Iterator[str]:
    """What is printed, a line each: survivors first."""
    explained = wider = 0
    for name, mutant in mutants.items():
        if verdicts[name].part < WIDER_PART:
            continue
        source = sources[mutant.module]
        diff = mutant.diff(source)
        why = EXPLAINED.get(f"{mutant.module}\n{diff}", "")
        if verdicts[name].how:
            wider, why = wider + 1, "killed by the wider suite"
        explained += bool(why)
        yield f"{mutant.module}:{source.count(chr(10), 0, mutant.begin) + 1}\n{diff}" + (f"\n= {why}" if why else "")
    core = {name: verdict for name, verdict in verdicts.items() if verdict.part < WIDER_PART}
    for room in ROOMS:
        own = [name for name, mutant in mutants.items() if mutant.module.split(".")[1] == room]
        yield f"simfs.{room}: {sum(name in core for name in own)} of {len(own)} killed"
    how = Counter(verdict.how for verdict in core.values())
    yield (
        f"{len(mutants)} mutants: {len(core)} killed ({how['failed']} by a test, {how['hung']} by never ending), "
        f"{100 * len(core) / max(len(mutants), 1):.1f} %; "
        f"{len(mutants) - len(core)} survived the core suite: {wider} killed by the wider suite, "
        f"{explained - wider} explained, {len(mutants) - len(core) - explained} open"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sample", type=int, default=400, help="how many mutants; 0: all (400)")
    parser.add_argument("--seed", type=int, default=1, help="which ones (1)")
    parser.add_argument("--only", default="", help="modules whose names hold this text")
    parser.add_argument("--wider", action="store_true", help="try survivors on the small campaigns too")
    parser.add_argument("--workers", type=int, default=2, help="processes at a time (2)")
    options = parser.parse_args()
    began_s = time.monotonic()
    mutants = sample_of(options.sample, options.seed, options.only)
    sources = {module: source_path(module).read_text() for module in {mutant.module for mutant in mutants.values()}}
    core = Job("core", [f"tests/{name}" for name in files_of(CORE)], selected=f"not ({LONG})", test_cpu_s_max=60.0)
    (sound,) = run([core])
    if sound.status != "passed":
        sys.exit(f"the core suite fails without any mutant: {sound.failed or sound.text}")
    print(f"the core suite: {len(sound.seconds)} tests, {sum(sound.seconds.values()):.1f} s of processor time")
    verdicts = try_all(mutants, sources, options.workers, len(PARTS) if options.wider else WIDER_PART)
    for line in report(mutants, sources, verdicts):
        print(line)
    print(f"{time.monotonic() - began_s:.0f} s")


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    main()
