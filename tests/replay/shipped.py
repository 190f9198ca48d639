"""The scenarios that come with the project, each played once for all tests of a process."""

from __future__ import annotations

from contextlib import chdir
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

from click.testing import CliRunner

from simfs.cli import commands
from simfs.replay.device.device import Run
from simfs.show.json import as_json
from simfs.study.run import outlook
from simfs.study.run.expect import judge
from simfs.study.run.figures import Figures
from tests.support.places import ROOT, SCENARIOS

SHIPPED = sorted(path.name for path in SCENARIOS.iterdir() if path.suffix in (".toml", ".py"))


@dataclass(frozen=True)
class Played:
    """What `simfs run` prints with and without `--json`, the image that it saves, and the run behind it, which a test
    may read and must not change."""

    report: str
    as_json: str
    image: bytes
    run: Run


@cache
def played(name: str) -> Played:
    """A shipped scenario as a user runs it from the project's root."""
    found: list[tuple[Run, Figures]] = []
    with_outlook = outlook.with_outlook

    def noted(run: Run, taken: Figures) -> Figures:
        found.append((run, with_outlook(run, taken)))
        return found[-1][1]

    with TemporaryDirectory() as folder, chdir(ROOT), patch.object(outlook, "with_outlook", noted):
        image = Path(folder) / "flash.bin"
        report = CliRunner().invoke(commands, ["run", f"scenarios/{name}", "--save-image", str(image)]).stdout
        ((run, taken),) = found
        return Played(report, f"{as_json(taken, judge(run, taken))}\n", image.read_bytes(), run)
