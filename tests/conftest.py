"""What holds for all tests."""

from __future__ import annotations

import os
import signal
import sys

import pytest

# A shell ignores Ctrl-C in jobs that it runs in the background, and every program that the tests start and stop with
# Ctrl-C would inherit that.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_configure(config: pytest.Config) -> None:
    """Keep bytecode among pytest's caches where the environment wants none beside the sources: the tests start a few
    hundred processes, and each would compile all of simfs anew."""
    if sys.dont_write_bytecode and config.cache is not None:
        kept = str(config.cache.mkdir("bytecode"))
        sys.pycache_prefix, sys.dont_write_bytecode = kept, False
        os.environ["PYTHONPYCACHEPREFIX"] = kept
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests that share what is costly to make come first: pytest-xdist gives the first part of all tests to one
    process, so that it is made once."""
    items.sort(key=lambda item: item.get_closest_marker("together") is None)
