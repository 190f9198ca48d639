"""Survivors of the mutation run that no test can kill, each with the reason. A key is the module and the changed lines,
as the run prints them."""

from __future__ import annotations

EXPLAINED: dict[str, str] = {}
