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
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random

from forked_tests import ROOT, Job, Outcome, run, source_path
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
    "store": ["test_store_claims.py", "test_store_replay.py", "test_store_mount.py", "test_store_full.py"],
    "files": ["test_files_store.py", "test_files_names.py", "test_files_model.py"],
}
KILLED = ("failed", "hung", "broken")


def near_and_other_tests(module: str) -> tuple[list[str], list[str]]:
    """The core suite in two parts: what is likely to notice a change of the module, and the rest."""
    core = [path.name for pattern in CORE for path in sorted((ROOT / "tests").glob(pattern))]
    _, room, own = module.split(".")[:3] if module.count(".") > 1 else (*module.split("."), "")
    named = [name for name in core if own and name.startswith(f"test_{room}_{own}")]
    near = list(dict.fromkeys([*named, *NEAR.get(module, NEAR_ROOM[room])]))
    return [f"tests/{name}" for name in near], [f"tests/{name}" for name in core if name not in near]


def sample_of(count: int, seed: int, only: str) -> dict[str, Mutant]:
    """So many mutants by name, in the order of their places; all when `count` is 0."""
    every: list[Mutant] = []
    for module in modules_of("flash", "store", "files"):
        if only in module:
            every += mutants_of(module, source_path(module).read_text())
    chosen = Random(seed).sample(every, count) if 0 < count < len(every) else every
    print(f"{len(chosen)} of {len(every)} mutants, seed {seed}")
    return {str(number): mutant for number, mutant in enumerate(sorted(chosen))}


def try_all(mutants: dict[str, Mutant], sources: dict[str, str], workers: int) -> dict[str, Outcome]:
    """The outcome of each mutant: of its near tests, then, if it survives those, of the others."""
    outcomes: dict[str, Outcome] = {}
    for part in (0, 1):
        left = [name for name in mutants if name not in outcomes or outcomes[name].status not in KILLED]
        jobs = (job_of(name, mutants[name], sources, part) for name in left)
        for outcome in tqdm(run(jobs, workers), total=len(left), desc=("near tests", "other tests")[part]):
            outcomes[outcome.name] = outcome
    return outcomes


def job_of(name: str, mutant: Mutant, sources: dict[str, str], part: int) -> Job:
    tests = near_and_other_tests(mutant.module)[part]
    return Job(name, tests, mutant.module, mutant.source(sources[mutant.module]))


def report(mutants: dict[str, Mutant], sources: dict[str, str], outcomes: dict[str, Outcome]) -> Iterator[str]:
    """What is printed, a line each: survivors first."""
    killed: Counter[str] = Counter()
    explained = 0
    for name, mutant in mutants.items():
        status = outcomes[name].status
        killed[mutant.module.split(".")[1]] += status in KILLED
        if status in KILLED:
            continue
        source = sources[mutant.module]
        diff = mutant.diff(source)
        why = EXPLAINED.get(f"{mutant.module}\n{diff}", "")
        explained += bool(why)
        yield f"{mutant.module}:{source.count(chr(10), 0, mutant.begin) + 1}\n{diff}" + (f"\n= {why}" if why else "")
    states = Counter(outcome.status for outcome in outcomes.values())
    total, dead = len(mutants), sum(states[status] for status in KILLED)
    for room in ("flash", "store", "files"):
        count = sum(mutant.module.split(".")[1] == room for mutant in mutants.values())
        yield f"simfs.{room}: {killed[room]} of {count} killed"
    yield (
        f"{total} mutants: {dead} killed ({states['failed']} by a test, {states['hung']} by never ending, "
        f"{states['broken']} at import), {total - dead} survived, {explained} of those explained; "
        f"{100 * dead / max(total, 1):.1f} % killed, "
        f"{100 * dead / max(total - explained, 1):.1f} % of those that change anything"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sample", type=int, default=400, help="how many mutants; 0: all (400)")
    parser.add_argument("--seed", type=int, default=1, help="which ones (1)")
    parser.add_argument("--only", default="", help="modules whose names hold this text")
    parser.add_argument("--workers", type=int, default=2, help="processes at a time (2)")
    options = parser.parse_args()
    began_s = time.monotonic()
    mutants = sample_of(options.sample, options.seed, options.only)
    sources = {module: source_path(module).read_text() for module in {mutant.module for mutant in mutants.values()}}
    core = Job("core", [f"tests/{name.name}" for pattern in CORE for name in sorted((ROOT / "tests").glob(pattern))])
    (sound,) = run([replace(core, stop_at_first=False, test_cpu_s_max=60.0)])
    if sound.status != "passed":
        sys.exit(f"the core suite fails without any mutant: {sound.failed or sound.text}")
    print(f"the core suite: {len(sound.seconds)} tests, {sum(sound.seconds.values()):.1f} s of processor time")
    for line in report(mutants, sources, try_all(mutants, sources, options.workers)):
        print(line)
    print(f"{time.monotonic() - began_s:.0f} s")


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    main()
