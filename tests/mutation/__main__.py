"""How many small slips in the core would the core's tests notice? `python -m tests.mutation --help`.

Takes a seeded sample of all mutants (`mutants.py`) of flash, store and files, and runs on each the tests of the core
suite that reach the changed lines (`reached_lines.py`), those about the mutant's own module first, in a process of its
own (`forked_tests.py`), up to the first test that fails. A mutant is killed when a test fails or never ends, or when
the tests can't even import the module; the three are counted apart. Prints the score and every survivor; why a survivor
changes nothing stands in `explained.py`.

Which mutants are in a sample depends on the seed and on each one's own lines: after a change of the core elsewhere it
holds the same ones as before, so far as they are still there.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from hashlib import sha256
from pathlib import Path
from typing import TextIO

from tqdm import tqdm

from tests.mutation.explained import EXPLAINED
from tests.mutation.forked_tests import Job, Outcome, run, source_path
from tests.mutation.mutants import Mutant, modules_of, mutants_of
from tests.mutation.reached_lines import AT_IMPORT, ROOT, reached_lines

CORE = (
    "flash/test_*.py", "store/**/test_*.py", "files/test_*.py",
    "replay/batch/test_batches.py", "study/life/test_end_of_life.py",
)  # fmt: skip
# The tests that know a module best, beside those with its room and its own name in theirs.
NEAR = {
    "simfs.flash.rng": ["flash/test_rng.py"],
    "simfs.flash.parts": ["flash/test_parts.py"],
    "simfs.flash.parts.serial": ["flash/test_parts.py"],
    "simfs.flash.parts.search": ["cli/test_parts.py"],
    "simfs.flash.parts.invented": ["flash/test_parts.py"],
    "simfs.flash.counts": ["flash/test_parts.py", "flash/test_nor.py"],
    "simfs.flash.datasheet": ["flash/test_parts.py", "flash/test_nor.py"],
    "simfs.store.format.codec": ["store/format/test_codec.py", "store/mounting/test_mount.py"],
    "simfs.store.format.declaration": ["store/format/test_codec.py"],
    "simfs.store.format.declared_statement": ["store/format/test_statement.py", "store/format/test_layout.py"],
    "simfs.store.format.dump": ["store/format/test_dump.py"],
    "simfs.store.format.statement": ["store/format/test_statement.py", "store/format/test_blocks.py"],
    "simfs.store.format.runs": ["store/tables/test_spans.py"],
    "simfs.store.format.layout": [
        "store/format/test_layout.py",
        "store/cleaning/test_full.py",
        "files/test_store.py",
        "store/log/test_heads.py",
    ],
    "simfs.store.cleaning.room": ["store/cleaning/test_full.py", "files/test_store.py"],
    "simfs.store.cleaning.policies": ["store/cleaning/test_policies.py"],
    "simfs.store.file_bytes": ["files/test_io.py", "store/cleaning/test_full.py"],
    "simfs.store.format.config": ["store/mounting/test_mount.py"],
    "simfs.store.format.settings": ["store/mounting/test_mount.py"],
    "simfs.files.modes": ["files/test_modes.py"],
    "simfs.files.handle": ["files/test_io.py", "files/test_store.py"],
}
NEAR_ROOM = {
    "flash": ["flash/test_nor.py", "flash/test_faults.py", "flash/test_faults_left.py", "flash/test_faults_wear.py"],
    "store": [
        "store/tables/test_claims.py",
        "store/log/test_rules.py",
        "store/mounting/test_rebuild.py",
        "store/cleaning/test_cleaner.py",
        "store/cleaning/test_full.py",
        "store/mounting/test_mount.py",
    ],
    "files": ["files/test_store.py", "files/test_names.py", "files/test_model.py"],
}
# Campaigns in small, and tests that take a second or more, which others stand in for: in the wider suite only.
LONG = (
    "test_no_flipped_bit or test_a_cut_around_a_retirement or test_orders_beyond_16_bits "
    "or test_scenarios_begin_the_same or test_random_devices_come_out or test_skipped_periods_change_nothing "
    "or test_a_mount_before_the_block_is_told or test_a_full_store_refuses_keeps or test_first_failure_of_128"
)
WIDER = ("goals/test_gate.py", "study/cuts/test_power_cuts.py", "hostile/test_store.py")
ROOMS = ("flash", "store", "files")
KILLED = ("failed", "at import", "hung")


def files_of(patterns: Iterable[str]) -> list[str]:
    tests = ROOT / "tests"
    return [str(path.relative_to(ROOT)) for pattern in patterns for path in sorted(tests.glob(pattern))]


def is_near(test: str, module: str) -> bool:
    """Whether a test is about this module above all, by its file."""
    room, own = module.split(".")[1], module.rpartition(".")[2]
    file = test.partition("::")[0].removeprefix("tests/")
    is_its_own = file.startswith(f"{room}/") and file.endswith(f"/test_{own}.py")
    return is_its_own or file in NEAR.get(module, NEAR_ROOM[room])


class Core:
    """The core suite: what each of its test functions takes, and which lines it reaches."""

    def __init__(self) -> None:
        (sound,) = run([Job("core", files_of(CORE), selected=f"not ({LONG})", test_cpu_s_max=60.0)])
        if sound.status != "passed":
            raise SystemExit(f"the core suite fails without any mutant: {sound.failed or sound.text}")
        self.seconds: Counter[str] = Counter()
        for test, seconds in sound.seconds.items():
            self.seconds[test.partition("[")[0]] += seconds  # type: ignore[assignment]
        self.reached = reached_lines(files_of(CORE), f"not ({LONG})")
        print(f"the core suite: {len(sound.seconds)} tests, {sum(sound.seconds.values()):.1f} s of processor time")

    def tests_of(self, mutant: Mutant, source: str) -> list[str]:
        """The test functions that may notice the mutant, file by file: near ones first, then those of quick files."""
        reached = self.reached.get(str(source_path(mutant.module)), {})
        tests = set().union(*(reached.get(line, set()) for line in mutant.lines(source)))
        tests = set(self.seconds) if AT_IMPORT in tests else tests & self.seconds.keys()
        files: Counter[str] = Counter()
        for test in tests:
            files[test.partition("::")[0]] += self.seconds[test]
        in_files = {test: test.partition("::")[0] for test in tests}
        return sorted(tests, key=lambda test: (not is_near(test, mutant.module), files[in_files[test]], in_files[test]))


def sample_of(count: int, seed: int, only: str) -> dict[str, Mutant]:
    """So many mutants by name, in the order of their places; all when `count` is 0."""
    drawn: list[tuple[bytes, Mutant]] = []
    for module in modules_of(*ROOMS):
        if only in module:
            source = source_path(module).read_text()
            drawn += [(drawn_at(mutant, source, seed), mutant) for mutant in mutants_of(module, source)]
    chosen = [mutant for _, mutant in sorted(drawn)[: count or None]]
    print(f"{len(chosen)} of {len(drawn)} mutants, seed {seed}", flush=True)
    return {str(number): mutant for number, mutant in enumerate(sorted(chosen))}


def drawn_at(mutant: Mutant, source: str, seed: int) -> bytes:
    """Its place in the order in which a seed draws mutants."""
    return sha256(f"{seed} {key(mutant, source)}".encode()).digest()


def key(mutant: Mutant, source: str) -> str:
    """What tells a mutant from others wherever it stands."""
    return f"{mutant.module}\n{mutant.diff(source)}"


class Trial:
    """Tries mutants, and writes what came of each to a log at once."""

    def __init__(self, mutants: dict[str, Mutant], workers: int, log: TextIO | None) -> None:
        self.mutants = mutants
        self.sources = {module: source_path(module).read_text() for module in {m.module for m in mutants.values()}}
        self._workers = workers
        self._log = log

    def on_core(self) -> dict[str, Outcome]:
        """What the core suite makes of each mutant."""
        core = Core()
        outcomes = {}
        jobs = []
        for name, mutant in self.mutants.items():
            source = self.sources[mutant.module]
            tests = core.tests_of(mutant, source)
            if tests:
                jobs.append(Job(name, tests, mutant.module, mutant.source(source)))
            else:
                outcomes[name] = Outcome(name, "not reached")
        return outcomes | self._run(jobs)

    def on_wider(self, names: Iterable[str]) -> dict[str, Outcome]:
        """What tests outside the core suite make of mutants that survived it."""
        selected = " or ".join([LONG, *(Path(pattern).stem for pattern in WIDER)])
        tests = files_of([*CORE, *WIDER])
        return self._run([self._wider_job(name, tests, selected) for name in names])

    def _wider_job(self, name: str, tests: list[str], selected: str) -> Job:
        mutant = self.mutants[name]
        return Job(name, tests, mutant.module, mutant.source(self.sources[mutant.module]), selected)

    def _run(self, jobs: list[Job]) -> dict[str, Outcome]:
        outcomes = {}
        for outcome in tqdm(run(jobs, self._workers), total=len(jobs), mininterval=10):
            outcomes[outcome.name] = tried(outcome)
            self._note(outcome)
        return outcomes

    def _note(self, outcome: Outcome) -> None:
        if self._log is not None:
            mutant = self.mutants[outcome.name]
            source = self.sources[mutant.module]
            cpu_s = round(sum(outcome.seconds.values()), 2)
            line: dict[str, object] = {"mutant": key(mutant, source), "line": mutant.lines(source)[0], "cpu_s": cpu_s}
            line |= {"status": outcome.status, "failed": outcome.failed}
            print(json.dumps(line), file=self._log, flush=True)


def tried(outcome: Outcome) -> Outcome:
    """Told apart: a test that failed, and tests that could not even be collected."""
    if outcome.status == "broken":
        raise SystemExit(f"mutant {outcome.name} could not be tried:\n{outcome.text}")
    if outcome.status == "failed" and "::" not in outcome.failed[0]:
        outcome.status = "at import"
    return outcome


def shown(mutant: Mutant, source: str, why: str) -> str:
    """A survivor: its place, the changed lines, and what is known about it."""
    return f"{mutant.module}:{mutant.lines(source)[0]}\n{mutant.diff(source)}" + (f"\n= {why}" if why else "") + "\n"


def report(
    mutants: dict[str, Mutant], sources: dict[str, str], outcomes: dict[str, Outcome], wider: dict[str, Outcome]
) -> Iterator[str]:
    """What is printed, a piece each: survivors first."""
    known: Counter[str] = Counter()
    left = [name for name in mutants if outcomes[name].status not in KILLED]
    for name in left:
        mutant, source = mutants[name], sources[mutants[name].module]
        why = EXPLAINED.get(key(mutant, source), "")
        known["explained"] += bool(why)
        if not why and name in wider and wider[name].status in KILLED:
            known["wider"] += 1
            why = f"killed by {wider[name].failed or 'never ending'}"
        yield shown(mutant, source, why or outcomes[name].status)
    for room in ROOMS:
        own = [name for name, mutant in mutants.items() if mutant.module.split(".")[1] == room]
        yield f"simfs.{room}: {sum(outcomes[name].status in KILLED for name in own)} of {len(own)} killed"
    how, total, dead = Counter(outcome.status for outcome in outcomes.values()), len(mutants), len(mutants) - len(left)
    yield (
        f"{total} mutants: {dead} killed ({how['failed']} by a test, {how['hung']} by never ending, "
        f"{how['at import']} at the import of the module), "
        f"{100 * dead / max(total, 1):.1f} %; {len(left)} survived the core suite: {known['explained']} explained, "
        f"{known['wider']} killed by other tests, {len(left) - known.total()} open"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sample", type=int, default=400, help="how many mutants; 0: all (400)")
    parser.add_argument("--seed", type=int, default=1, help="which ones (1)")
    parser.add_argument("--only", default="", help="modules whose names hold this text")
    parser.add_argument("--wider", action="store_true", help="try survivors on the small campaigns too")
    parser.add_argument("--workers", type=int, default=2, help="processes at a time (2)")
    parser.add_argument("--log", type=argparse.FileType("w"), help="what came of each mutant, a line of JSON each")
    options = parser.parse_args()
    began_s = time.monotonic()
    trial = Trial(sample_of(options.sample, options.seed, options.only), options.workers, options.log)
    outcomes = trial.on_core()
    left = [name for name in trial.mutants if outcomes[name].status not in KILLED]
    wider = trial.on_wider(left) if options.wider else {}
    for piece in report(trial.mutants, trial.sources, outcomes, wider):
        print(piece)
    print(f"{time.monotonic() - began_s:.0f} s")


if __name__ == "__main__":
    main()
