"""Where things lie in a checkout."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SCENARIOS = ROOT / "scenarios"
ON_FLASH = sorted(  # the scenarios whose files are on flash alone
    path for path in SCENARIOS.iterdir()
    if path.suffix in (".toml", ".py") and not re.search('^kind = "(card|both)"', path.read_text(), re.MULTILINE)
)  # fmt: skip
RECORDINGS = ROOT / "tests" / "recordings"
