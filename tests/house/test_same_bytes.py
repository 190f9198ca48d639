"""A change of the code's structure changes no byte of any image, report or JSON: digests of all of them, for every
shipped scenario, for the other commands, and for 500 random devices.

`python -m tests.house.test_same_bytes` writes the digests anew, for a change that is meant to be seen.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable
from functools import partial
from hashlib import sha256
from pathlib import Path

import pytest
from click.testing import CliRunner

from simfs.cli import commands
from simfs.replay.play import play
from simfs.replay.scenario.load import parse_scenario
from simfs.show.json import as_json
from simfs.study.run.expect import judge
from simfs.study.run.measure import figures
from tests.replay.batch.test_batches import random_case
from tests.replay.shipped import SHIPPED, played
from tests.support.places import ROOT

pytestmark = pytest.mark.together

KEPT = Path(__file__).parent / "digests.json"
DEVICES, A_GROUP, FIRST_SEED = 500, 10, 1000
COMMANDS = {
    "cuts": "cuts scenarios/doorbell.toml --sample 60 --json",
    "fleet": "fleet scenarios/settings.toml --passed-parts 231 --shape 3 --stores 2 --json",
    "life": "life scenarios/settings.toml --quick --json",
    "life to full": "life scenarios/doorbell.toml --until full --json",
    "sweep": "sweep scenarios/weir.toml --vary store.cleaner=greedy,random --json",
}


def digest(*parts: str | bytes) -> str:
    """One text for all parts, with their borders."""
    whole = sha256()
    for part in parts:
        raw = part if isinstance(part, bytes) else part.encode()
        whole.update(len(raw).to_bytes(8, "little") + raw)
    return whole.hexdigest()[:24]


def printed(line: str) -> str:
    """What a command prints, run from the project's root."""
    os.chdir(ROOT)
    return CliRunner().invoke(commands, line.split()).stdout


def of_scenario(name: str) -> str:
    """Report, JSON and image of a scenario that comes with the project."""
    found = played(name)
    return digest(found.report, found.as_json, found.image)


def of_device(seed: int) -> str:
    """JSON and image of a random device."""
    run = play(parse_scenario(random_case(seed).encode(), "device.toml"), "device.toml")
    taken = figures(run)
    return digest(as_json(taken, judge(run, taken)), run.flash.image())


def of_group(number: int) -> str:
    """Some of the random devices."""
    first = FIRST_SEED + number * A_GROUP
    return digest(*(of_device(seed) for seed in range(first, first + A_GROUP)))


def cases() -> dict[str, Callable[[], str]]:
    """What is digested, by name."""
    found: dict[str, Callable[[], str]] = {name: partial(of_scenario, name) for name in SHIPPED}
    found |= {name: lambda line=line: digest(printed(line)) for name, line in COMMANDS.items()}  # type: ignore[misc]
    return found | {f"devices {number}": partial(of_group, number) for number in range(DEVICES // A_GROUP)}


CASES = cases()
QUICK = [name for name in CASES if not name.startswith("devices")] + ["devices 0"]


def wanted(name: str) -> str:
    return str(json.loads(KEPT.read_text())[name])


@pytest.mark.parametrize("name", QUICK)
def test_nothing_has_changed(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    assert CASES[name]() == wanted(name)


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(CASES.keys() - set(QUICK)))
def test_no_random_device_has_changed(name: str) -> None:
    assert CASES[name]() == wanted(name)


def test_a_digest_keeps_parts_apart() -> None:
    assert digest("ab", "c") != digest("a", "bc")
    assert of_device(FIRST_SEED) != of_device(FIRST_SEED + 1)


def write(names: Iterable[str]) -> None:
    KEPT.write_text(json.dumps({name: CASES[name]() for name in names}, indent=1) + "\n")


if __name__ == "__main__":
    write(CASES)
