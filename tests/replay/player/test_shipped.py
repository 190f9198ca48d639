"""The scenarios that come with the project run, and the store is sound after each."""

import pytest

from tests.replay.shipped import SHIPPED, played
from tests.support.places import SCENARIOS

pytestmark = pytest.mark.together


def test_there_are_enough():
    assert len(SHIPPED) >= 7


@pytest.mark.parametrize("name", SHIPPED)
def test_scenario(name):
    text = (SCENARIOS / name).read_text()
    assert text.startswith(("# ", '"""')), "the purpose stands at the top"
    run = played(name).run
    assert run.expect
    assert run.store.check() == []
    assert run.writes.count > 40
    if name != "nearly_full.toml":
        assert run.refusals == []
    assert bool(run.name_faults) == (name == "breaking_names.toml")
