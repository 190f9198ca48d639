"""The recorder that a firmware includes: where its header is."""

from __future__ import annotations

from pathlib import Path

HEADER = Path(__file__).with_name("recorder.h")


def header_text() -> str:
    """The header as it is included."""
    return HEADER.read_text(encoding="ascii")
