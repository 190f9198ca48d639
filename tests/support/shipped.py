"""The scenarios that come with the project, each played once for all tests of a process."""

from __future__ import annotations

from contextlib import chdir
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

from click.testing import CliRunner

from simfs.cli import commands, inputs, run_command
from simfs.cli.outputs import report_of
from simfs.replay.device.device import Run
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
    runs: list[Run] = []

    def replay_source(*arguments: object, **options: object) -> Run:
        runs.append(inputs.replay_source(*arguments, **options))  # type: ignore[arg-type]
        return runs[-1]

    with TemporaryDirectory() as folder, chdir(ROOT), patch.object(run_command, "replay_source", replay_source):
        image = Path(folder) / "flash.bin"
        result = CliRunner().invoke(commands, ["run", f"scenarios/{name}", "--save-image", str(image)])
        return Played(result.stdout, f"{report_of(runs[0], as_json=True)[0]}\n", image.read_bytes(), runs[0])
