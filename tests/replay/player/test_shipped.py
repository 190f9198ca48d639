"""The scenarios that come with the project run, and the store is sound after each."""

import pytest

from simfs.replay.play import replay
from tests.support.places import SCENARIOS

SCENARIOS = sorted(path for path in (SCENARIOS).iterdir() if path.suffix in (".toml", ".py"))


def test_there_are_enough():
    assert len(SCENARIOS) >= 7


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.name)
def test_scenario(path):
    text = path.read_text()
    assert text.startswith(("# ", '"""')), "the purpose stands at the top"
    run = replay(path)
    assert run.expect
    assert run.store.check() == []
    assert run.writes.count > 40
    if path.stem != "nearly_full":
        assert run.refusals == []
    assert bool(run.name_faults) == (path.stem == "breaking_names")
