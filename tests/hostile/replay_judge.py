"""Holds the promise about recordings, of either kind: only documented errors, bounded work, a report that can be shown,
and a store that is sound afterwards."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from simfs.replay.device.device import Run
from simfs.replay.recorded.faults import BadRecording
from simfs.show.json import as_json
from simfs.show.text import as_text
from simfs.study.run.measure import figures
from tests.hostile.judge import OverBudget


def judge_replay(raw: bytes, replay: Callable[[str], Run]) -> tuple[str, str | None]:
    """How the replay of a file with these bytes ended, and what broke the promise, if anything did."""
    try:
        with as_file(raw) as path:
            run = replay(path)
    except BadRecording as bad:
        return "refused", None if str(bad).isprintable() else f"BadRecording says {bad!r}"
    except OverBudget:
        return "hang", "more flash work than the budget"
    except Exception as error:
        return type(error).__name__, f"replaying: {error!r:.300}"
    try:
        taken = figures(run)
        as_json(taken, ())
        text = as_text(taken, ())
    except Exception as error:
        return type(error).__name__, f"reporting: {error!r:.300}"
    strange = [line for line in text.split("\n") if not line.isprintable()]
    faults = [*(f"the report holds {line!r}" for line in strange), *run.store.check()]
    return "replayed" if run.tasks else "nothing to replay", faults[0] if faults else None


@contextmanager
def as_file(raw: bytes) -> Iterator[str]:
    """A file that holds the bytes."""
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "recording")
        with open(path, "wb") as file:
            file.write(raw)
        yield path
