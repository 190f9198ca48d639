"""Names that a store can't keep as they are meant: too long, cut, or the same as another after cutting or folding. And
names that it keeps apart, while they differ only in the case of letters beyond ASCII."""

from __future__ import annotations

from collections.abc import Iterable

from simfs.files.contract import NameRules
from simfs.replay.device.notes import NameFault

FAULTS_MAX = 1000


def name_faults(names: Iterable[str], rules: NameRules) -> list[NameFault]:
    """The faults of `names`, at most FAULTS_MAX of them, in the order of the names."""
    limit_bytes, cutting = rules.limit_bytes, rules.cutting()
    faults: list[NameFault] = []
    apart: list[NameFault] = []
    holder: dict[bytes, str] = {}
    folded: dict[str, str] = {}
    for name in sorted(set(names)):
        try:
            kept = cutting.encode(name)
        except (OSError, ValueError):  # empty, or no text: the store refused it, whatever its settings
            continue
        size_bytes = _size_bytes(name)
        too_long = size_bytes >= limit_bytes
        if too_long:
            faults.append(_overlong(name, size_bytes, kept, rules))
        if too_long and rules.overlong == "reject":
            continue
        other = holder.setdefault(rules.key(kept), name)
        if other != name:
            cause = "cutting" if too_long or _size_bytes(other) >= limit_bytes else "folding case"
            both = f'both names are one file, "{rules.decode(kept)}": each write to one changes the other'
            faults.append(NameFault(name, f'after {cause} it is the same as "{other}"', both))
        elif rules.fold_case and (alike := folded.setdefault(rules.decode(kept).lower(), name)) != name:
            apart.append(_kept_apart(name, alike))
        if len(faults) >= FAULTS_MAX:
            break
    return [*faults, *apart][:FAULTS_MAX]


def _kept_apart(name: str, other: str) -> NameFault:
    why = f'it differs from "{other}" only in the case of letters beyond ASCII'
    what_happens = "this store folds ASCII letters alone and keeps two files; one that folds all letters has one"
    return NameFault(name, why, what_happens, breaks=False)


def _size_bytes(name: str) -> int:
    return len(name.encode("utf-8", "surrogateescape"))


def _overlong(name: str, size_bytes: int, kept: bytes, rules: NameRules) -> NameFault:
    why = f"it has {size_bytes} bytes, {rules.limit_bytes - 1} fit"
    if rules.overlong == "reject":
        return NameFault(name, why, "every operation with it is refused with ENAMETOOLONG")
    return NameFault(name, why, f'it is cut silently to "{rules.decode(kept)}"')
