"""The kept corpus: inputs that reach code which no smaller one reaches, and inputs that once broke the promise. Tests
replay it without the fuzzer.

    python -m tests.hostile.corpus mount NEW_DIR     keep of NEW_DIR (and of what is kept) what adds coverage
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from hashlib import sha256
from pathlib import Path
from types import FrameType
from typing import Any

from tests.hostile.inputs.bases import SHAPES, Base
from tests.hostile.inputs.consoles import judge_console
from tests.hostile.inputs.recordings import judge_recording
from tests.hostile.inputs.scenarios import judge_scenario
from tests.hostile.judge import judge_image

KEPT = Path(__file__).parent / "corpus"
BLOCKS_MAX = 8
FILE_COST_BYTES = 500  # one file more is worth so many bytes less
UNIT_BYTES_MAX = 1 + BLOCKS_MAX * 1024
_PACKAGE = str(Path(__file__).parents[2] / "simfs")

Outcome = tuple[str, str | None]
Arc = tuple[str, int, int]


def base_of(raw: bytes) -> Base:
    """An image as a corpus holds it: one byte for the chip, then what stands on it, cut to whole blocks."""
    shape = raw[0] % len(SHAPES) if raw else 0
    size = SHAPES[shape].block_bytes
    blocks = min(max((len(raw) - 1) // size, 1), BLOCKS_MAX)
    return Base(shape, raw[1:].ljust(size, b"\xff")[: blocks * size])


def unit_of(base: Base) -> bytes:
    """The other way round."""
    return bytes([base.shape]) + base.image


def judge_mount(raw: bytes) -> Outcome:
    return judge_image(base_of(raw))


def judge_recorded(raw: bytes) -> Outcome:
    """Both ways of reading a recording."""
    outcome, fault = judge_recording(raw, strict=True)
    return (outcome, fault) if fault else judge_recording(raw)


def judge_logged(raw: bytes) -> Outcome:
    """Both ways of reading a console's log."""
    outcome, fault = judge_console(raw, strict=True)
    return (outcome, fault) if fault else judge_console(raw)


TARGETS: dict[str, Callable[[bytes], Outcome]] = {
    "mount": judge_mount,
    "scenario": judge_scenario,
    "recording": judge_recorded,
    "console": judge_logged,
}


def kept(target: str) -> Iterator[Path]:
    """The files of one target's corpus."""
    return (path for path in sorted((KEPT / target).iterdir()) if path.is_file())


def keep(target: str, new: Path) -> None:
    """Keep what reaches lines in an order that nothing else kept reaches, in few and small files. Files whose name is
    words, and not a hash, are regressions: they stay."""
    folder = KEPT / target
    folder.mkdir(parents=True, exist_ok=True)
    units = {path.read_bytes(): path for path in (*sorted(new.iterdir()), *kept(target))}
    arcs = {raw: _arcs(TARGETS[target], raw) for raw in units}
    left = set().union(*arcs.values())
    chosen = [raw for raw, path in units.items() if _is_named(path)]
    left.difference_update(*(arcs[raw] for raw in chosen))
    while left:
        best = max(arcs, key=lambda raw: len(arcs[raw] & left) / (len(raw) + FILE_COST_BYTES))
        chosen.append(best)
        left -= arcs[best]
    for path in kept(target):
        if path.read_bytes() not in chosen:
            path.unlink()
    for raw in chosen:
        path = units[raw]
        name = path.name if _is_named(path) else sha256(raw).hexdigest()[:12]
        (folder / name).write_bytes(raw)


def _is_named(path: Path) -> bool:
    return "-" in path.name


def _arcs(judge: Callable[[bytes], Outcome], raw: bytes) -> set[Arc]:
    """Which line of the package came after which while the input was judged."""
    arcs: set[Arc] = set()

    def enter(frame: FrameType, event: str, _: Any) -> Any:
        name = frame.f_code.co_filename
        if not name.startswith(_PACKAGE):
            return None
        last = 0

        def step(inner: FrameType, event: str, _: Any) -> Any:
            nonlocal last
            if event == "line":
                arcs.add((name, last, inner.f_lineno))
                last = inner.f_lineno
            return step

        return step

    sys.settrace(enter)
    try:
        judge(raw)
    finally:
        sys.settrace(None)
    return arcs


if __name__ == "__main__":
    keep(sys.argv[1], Path(sys.argv[2]))
