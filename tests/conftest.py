"""What holds for all tests."""

from __future__ import annotations

import compileall
import os
import signal
import sys
from contextlib import suppress
from importlib import import_module
from typing import Any

import pytest

from tests.support.places import ROOT

# A shell ignores Ctrl-C in jobs that it runs in the background, and every program that the tests start and stop with
# Ctrl-C would inherit that.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_configure(config: pytest.Config) -> None:
    """Keep bytecode among pytest's caches where the environment wants none beside the sources: the tests start a few
    hundred processes, and each would compile all of simfs anew. Those processes only read it, since some of them have
    no room to write in, and would leave half a file."""
    if sys.dont_write_bytecode and getattr(config, "cache", None) is not None:
        assert config.cache is not None
        kept = str(config.cache.mkdir("bytecode"))
        sys.pycache_prefix, sys.dont_write_bytecode = kept, False
        if not hasattr(config, "workerinput"):
            compileall.compile_dir(ROOT / "simfs", quiet=1, workers=0)
        os.environ["PYTHONPYCACHEPREFIX"] = kept


def pytest_collection(session: pytest.Session) -> None:
    """Where two processes of pytest-xdist each collect all tests, have one import their modules from the front and one
    from the back: what the one has compiled, with pytest's own asserts, the other only reads."""
    worker = getattr(session.config, "workerinput", {}).get("workerid", "")
    if worker and session.config.args == session.config.getini("testpaths"):
        paths = sorted((ROOT / "tests").glob("**/test_*.py"), reverse=worker[-1] in "13579")
        for path in paths:
            with suppress(Exception, pytest.skip.Exception, pytest.fail.Exception):  # the collection tells of it
                import_module(".".join(path.relative_to(ROOT).with_suffix("").parts))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests that share what is costly to make come first, so that one process of pytest-xdist has them all."""
    items.sort(key=lambda item: item.get_closest_marker("together") is None)


@pytest.hookimpl(optionalhook=True)  # of pytest-xdist, which may be missing
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Each process has a stretch of all tests, and takes half of what is left to another when it is done. The tests of
    a module stay together that way, with all that they make once for a process."""
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log) if config.getvalue("dist") == "load" else None
