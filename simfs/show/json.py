"""Reports as one JSON object, indented: every field and every derived figure, under a name that ends with its unit. The
same report gives the same text."""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass
from typing import Any

from simfs.show import WHOSE
from simfs.show.verdict import verdict_of
from simfs.study.run.expect import Verdict
from simfs.study.run.figures import Figures
from simfs.study.wearers.report import Wearers


def as_json(figures: Figures, verdicts: tuple[Verdict, ...], wearers: Wearers | None = None) -> str:
    """The figures of a run, and who wore the flash where that is given."""
    whole = {
        "verdict": verdict_of(figures, verdicts),
        "note": WHOSE,
        **_plain(figures),
        "expectations": _plain(verdicts),
    }
    for name in ("card", "battery", "both", "on_flash", "on_card"):
        if whole[name] is None:
            del whole[name]
    if wearers is not None:
        whole["who_wore_it"] = _plain(wearers)
    return json.dumps(whole, indent=2)


def object_of(report: Any, note: str = WHOSE) -> str:
    """Any report that is a dataclass, with a note before it unless that is empty."""
    return json.dumps(({"note": note} if note else {}) | _plain(report), indent=2)


def _plain(value: Any) -> Any:
    """Dataclasses become objects, their properties included."""
    if is_dataclass(value) and not isinstance(value, type):
        names = [field.name for field in fields(value)]
        names += [name for name, kind in vars(type(value)).items() if isinstance(kind, property)]
        return {name: _plain(getattr(value, name)) for name in names}
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, bytes):
        return value.hex()
    return value
