"""The guide of scenarios says what the models say."""

from __future__ import annotations

from typing import get_args

import pytest
from pydantic import Field

from simfs.replay.scenario.expectations import Expect
from simfs.replay.scenario.fields import Table
from simfs.replay.scenario.patterns import CLOCK_FIELDS, COUNT_FIELDS, PLACEHOLDERS
from simfs.replay.scenario.tables import Scenario, StoreTable
from simfs.show.scenario_guide import OPERATIONS, SECTIONS, keys, reference
from simfs.store.format.config import CLEANERS, OVERLONG, PACKINGS
from simfs.study.run.expect import LIMITS, STATES
from tests.support.places import ROOT

GUIDE = ROOT / "simfs" / "guides" / "scenarios.md"
BORDER = (
    "<!-- From here on this page is made by simfs/show/scenario_guide.py; `python -m tests.guides` writes it. -->\n"
)


def written() -> str:
    """The guide as it should stand: what was written by hand, then what the models say."""
    return f"{GUIDE.read_text().partition(BORDER)[0]}{BORDER}\n{reference()}"


def test_the_guide_is_what_the_models_say() -> None:
    assert GUIDE.read_text() == written()


def models(table: type[Table]) -> set[type[Table]]:
    """A table's model and all that are used in it."""

    def used(annotation: object) -> set[type[Table]]:
        if isinstance(annotation, type) and issubclass(annotation, Table):
            return models(annotation)
        return {model for one in get_args(annotation) for model in used(one)}

    return {table}.union(*(used(field.annotation) for field in table.model_fields.values()))


def test_the_guide_has_every_table_and_operation() -> None:
    assert {model for _, model in SECTIONS} | {*OPERATIONS, Expect} == models(Scenario)


def test_a_key_without_a_description_is_an_error() -> None:
    class Bare(Table):
        told: int = Field(default=1, description="a key with a meaning")
        bare: int = 2

    with pytest.raises(ValueError, match=r"Bare\.bare has no description"):
        keys(Bare)
    assert all(model.__doc__ for model in models(Scenario))


@pytest.mark.parametrize(("key", "choices"), [("cleaner", CLEANERS), ("packing", PACKINGS), ("overlong", OVERLONG)])
def test_every_choice_has_a_meaning(key: str, choices: tuple[str, ...]) -> None:
    described = StoreTable.model_fields[key].description or ""
    assert [choice for choice in choices if f'"{choice}"' not in described] == []


def test_every_placeholder_has_a_meaning() -> None:
    assert PLACEHOLDERS.keys() == {*CLOCK_FIELDS, *COUNT_FIELDS}


def test_every_expectation_is_judged() -> None:
    assert Expect.model_fields.keys() - {"unmet"} == LIMITS.keys() | STATES.keys()
