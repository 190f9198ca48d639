"""One line of a report."""

from __future__ import annotations

Line = tuple[str, str, str]
"""The figure, its value, what it counts."""


def marked(wrong: bool, figure: str, value: str, note: str, advice: str) -> Line:
    """A line; where something is wrong, with a mark and what to do about it."""
    return (f"! {figure}", value, f"{note}. {advice}") if wrong else (figure, value, note)
