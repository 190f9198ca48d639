"""Bugs to plant: what someone who knows the trade might get wrong, each with the one test that is there to notice.

A bug is a piece of a module's text and what stands there instead. It is planted in memory, in a process of its own
(`mutation/forked_tests.py`), and `mutation/test_planted_bugs.py` sees its test fail.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Planted:
    """`name` says what is broken; `old` stands once in the module, and `test` (its pytest name, below tests/) passes
    without the bug in less than 3 s of processor time."""

    name: str
    module: str
    old: str
    new: str
    test: str
