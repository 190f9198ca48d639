"""The mutation run itself: a change that changes nothing survives, one that matters is killed by a test that fails, and
what is noticed in another way is told apart."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from tests.mutation.__main__ import drawn_at, tried
from tests.mutation.forked_tests import Job, Outcome, run, source_path
from tests.mutation.mutants import mutants_of

pytestmark = pytest.mark.together

MODES, FLASH = "simfs.files.modes", "simfs.flash.nor"
TABLE = "tests/files/test_modes.py::test_meaning_of_each_spelling"
BAD_MODE = "tests/files/test_modes.py::test_a_bad_mode_is_one_error_that_names_it"
NOR = "tests/flash/test_nor.py"


@dataclass(frozen=True)
class Case:
    what: str
    module: str
    old: str
    new: str
    test: str
    status: str


CASES = [
    Case("the module as it is", MODES, "", "", TABLE, "passed"),
    Case("the same in other words", MODES, '"+" in tail', 'tail.count("+") > 0', TABLE, "passed"),
    Case("a table made at import", MODES, 'creates=letter != "r"', 'creates=letter == "r"', TABLE, "failed"),
    Case("a default", FLASH, "self, block_count: int = 64,", "self, block_count: int = 65,", NOR, "failed"),
    Case("one error for another", MODES, "raise BadMode(", "raise OSError(", BAD_MODE, "failed"),
    Case("no end", MODES, "return MODES[mode]", "while True: pass", BAD_MODE, "hung"),
    Case("no module", MODES, "import dataclass", "import no_dataclass", TABLE, "at import"),
    Case("a module that nobody imports", "simfs.bridges.patched", "", "", TABLE, "unused"),
]


@pytest.fixture(scope="module")
def outcomes() -> dict[str, Outcome]:
    return {outcome.name: tried(outcome) for outcome in run(job(case) for case in CASES)}


def job(case: Case) -> Job:
    source = source_path(case.module).read_text()
    assert source.count(case.old) == 1 or not case.old, f"renew {case.what!r}"
    return Job(case.what, [case.test], case.module, source.replace(case.old, case.new, 1), test_cpu_s_max=1.0)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.what)
def test_what_comes_of_a_change(case: Case, outcomes: dict[str, Outcome]) -> None:
    outcome = outcomes[case.what]
    assert outcome.status == case.status, outcome.text
    files = [name.partition("::")[0] for name in outcome.failed]
    assert files == ([case.test.partition("::")[0]] if case.status in ("failed", "at import") else [])


def test_a_sample_stays_the_same_when_other_lines_change() -> None:
    short, long = "x = 1\n", "y = 5\nx = 1\n"
    drawn = {drawn_at(mutant, short, seed) for mutant in mutants_of("m", short) for seed in (1, 2)}
    assert len(drawn) == 4
    assert drawn < {drawn_at(mutant, long, seed) for mutant in mutants_of("m", long) for seed in (1, 2)}
