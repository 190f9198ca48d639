"""Each planted bug is caught by the test that is there for it, and that test passes without it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import pytest

from tests.mutation.forked_tests import Job, Outcome, run, source_path
from tests.mutation.planted import Planted, in_files, in_flash, in_log, in_store

BUGS = [*in_flash.BUGS, *in_log.BUGS, *in_store.BUGS, *in_files.BUGS]
UNCHANGED = "nothing is planted"
CPU_S_MAX = 6.0

pytestmark = pytest.mark.together


def changed_source(bug: Planted) -> str:
    """The module's source with the bug in it. AssertionError when its text is not there once: the bug is to be
    renewed."""
    source = source_path(bug.module).read_text()
    count = source.count(bug.old)
    assert count == 1, f"renew the planted bug {bug.name!r}: its text stands {count} times in {bug.module}:\n{bug.old}"
    return source.replace(bug.old, bug.new)


def jobs(bugs: list[Planted]) -> Iterator[Job]:
    """A job for each bug whose text still stands, and one for all their tests without any."""
    yield Job(UNCHANGED, sorted({"tests/" + bug.test for bug in bugs}), stop_at_first=False)
    for bug in bugs:
        if source_path(bug.module).read_text().count(bug.old) == 1:
            yield Job(bug.name, ["tests/" + bug.test], bug.module, changed_source(bug))


@pytest.fixture(scope="module")
def outcomes(request: pytest.FixtureRequest) -> dict[str, Outcome]:
    """What came of the bugs that this run is about, all in one go."""
    items = [item for item in request.session.items if isinstance(item, pytest.Function)]
    chosen = [item.callspec.params["bug"] for item in items if item.originalname == test_it_is_caught.__name__]
    return {outcome.name: outcome for outcome in run(jobs(chosen))}


def test_there_are_enough_and_no_two_have_one_name() -> None:
    assert len(BUGS) >= 30
    assert [name for name, count in Counter(bug.name for bug in BUGS).items() if count > 1] == []
    assert {bug.module.split(".")[1] for bug in BUGS} == {"flash", "store", "files"}


@pytest.mark.parametrize("bug", BUGS, ids=lambda bug: bug.name)
def test_it_is_caught(bug: Planted, outcomes: dict[str, Outcome]) -> None:
    assert changed_source(bug) != source_path(bug.module).read_text()
    sound, planted, test = outcomes[UNCHANGED], outcomes[bug.name], "tests/" + bug.test
    assert sound.status == "passed", sound.text
    own = {name: seconds for name, seconds in sound.seconds.items() if name.partition("[")[0] == test or name == test}
    assert own
    assert sum(own.values()) < CPU_S_MAX
    assert planted.status == "failed", f"{planted.status}, not failed, with this planted:\n{planted.text}"
    assert len(planted.failed) == 1
    assert planted.failed[0] in own
