"""The errors of a recording."""

from __future__ import annotations


class Unreadable(ValueError):
    """A line, or a part of one, that is not what its writer writes. The text says what would be right."""


class BadRecording(ValueError):
    """A recording that can't be replayed. The text names the file, the place in it, and what would be right."""
