"""The pytest plugin: a fresh chip and store for a test, limits as assertions, power cuts as parameters, and scenarios
as tests.

pytest loads it wherever simfs is installed, so it imports nothing but pytest and `options` until a test asks for
more.
"""

from __future__ import annotations

import re
from fnmatch import fnmatch
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from simfs.bridges.testing.options import MARKERS, add_options

if TYPE_CHECKING:
    from simfs.bridges.testing.after_cut import AfterCut
    from simfs.bridges.testing.bench import Bench
    from simfs.files import Store
    from simfs.files.card_store import CardStore
    from simfs.flash import NorFlash

SCENARIO_DIRECTORY = "scenarios"
_TOML_SIGN = re.compile(rb"^\s*(\[\s*chip\s*\]|\[\[\s*task\s*\]\])", re.MULTILINE)
_SCRIPT_SIGNS = (re.compile(rb"^def store\(", re.MULTILINE), re.compile(rb"^def run\(", re.MULTILINE))


def pytest_addoption(parser: pytest.Parser) -> None:
    add_options(parser)


def pytest_configure(config: pytest.Config) -> None:
    for marker in MARKERS:
        config.addinivalue_line("markers", marker)


@pytest.fixture
def simfs_seed(request: pytest.FixtureRequest) -> int:
    """The seed of this test, for whatever it draws at random itself."""
    from simfs.bridges.testing.setup import setup_of

    return setup_of(request.node).seed


@pytest.fixture
def simfs_chip(request: pytest.FixtureRequest) -> NorFlash:
    """A new, blank chip."""
    from simfs.bridges.testing.setup import flash_setup_of

    return flash_setup_of(request.node).chip()


@pytest.fixture
def simfs_bench(request: pytest.FixtureRequest) -> Bench[Any]:
    """A freshly formatted store with the clock of its device: `store`, `expect(...)`, `wait("10 min")`, `boot()`."""
    from simfs.bridges.testing.bench import Bench
    from simfs.bridges.testing.setup import CardSetup, setup_of

    setup = setup_of(request.node)
    if isinstance(setup, CardSetup):
        return Bench(setup.store(), request.node.name, request.node.nodeid)
    return Bench(setup.store(request.getfixturevalue("simfs_chip")), request.node.name, request.node.nodeid)


@pytest.fixture
def simfs_store(simfs_bench: Bench[Any]) -> Store | CardStore:
    """A freshly formatted store on `simfs_chip`, or on a card; `simfs_bench` tells what it costs."""
    store: Store | CardStore = simfs_bench.store
    return store


@pytest.fixture
def simfs_after_cut(request: pytest.FixtureRequest) -> AfterCut:
    """The store that a device finds after one of the power cuts of the marker `simfs_cuts`."""
    from simfs.bridges.testing.cuts import after_cut

    return after_cut(request)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "simfs_after_cut" in metafunc.fixturenames:
        from simfs.bridges.testing.cuts import parametrize

        parametrize(metafunc)


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """A scenario in a directory "scenarios", or given by its path, is a test."""
    if file_path.suffix not in (".toml", ".py"):
        return None
    if file_path.parent.name != SCENARIO_DIRECTORY and not parent.session.isinitpath(file_path):
        return None
    if is_test_module(file_path, parent.config) or not is_scenario(file_path):
        return None
    from simfs.bridges.testing.scenarios import ScenarioFile

    return ScenarioFile.from_parent(parent, path=file_path)


def is_test_module(path: Path, config: pytest.Config) -> bool:
    """Whether pytest takes a file for tests by its name, whatever stands in it."""
    return any(fnmatch(path.name, pattern) for pattern in config.getini("python_files"))


def is_scenario(path: Path) -> bool:
    """Whether a file looks like one: a table of a chip or a task, or a script that defines store and run."""
    try:
        text = path.read_bytes()
    except OSError:
        return False
    if path.suffix == ".toml":
        return _TOML_SIGN.search(text) is not None
    return all(sign.search(text) for sign in _SCRIPT_SIGNS)
