"""What a refusal of the new store means for those who move to it, in words that hold for scenarios and recordings."""

from __future__ import annotations

import errno

from simfs.files.contract import AnyStore
from simfs.study.moving.findings import Change
from simfs.study.moving.watch import Deeds

TOO_LONG, CUT, SAME, SIGNS, OPEN, ROOM, DIRECTORY, FOLLOWS, OTHER = (
    "name too long", "name cut", "names fall together", "characters refused", "too many open files", "no room",
    "a file and a directory", "follows from another", "refused",
)  # fmt: skip

ONE_FILE, FOLDED = "it is the same as", "after folding case"
"""What the check of names says of two that are one file, and of why they are."""

Fix = tuple[str, tuple[Change, ...], str]
"""What to change, what that changes, and why it was not tried."""

KINDS = {
    errno.ENAMETOOLONG: TOO_LONG,
    errno.EINVAL: SIGNS,
    errno.EMFILE: OPEN,
    errno.ENOSPC: ROOM,
    errno.ENOTDIR: DIRECTORY,
    errno.EISDIR: DIRECTORY,
    errno.ENOENT: FOLLOWS,
    errno.EBADF: FOLLOWS,
}


def counted(count: int, what: str) -> str:
    """'1 name', '2 names'."""
    return f"{count:,} {what}{'s' if count != 1 else ''}"


def kind_of(number: int) -> str:
    """What a refusal with this errno is about."""
    return KINDS.get(number, OTHER)


def error_name(number: int) -> str:
    return errno.errorcode.get(number, str(number))


def seen(deeds: Deeds, number: int) -> str:
    """How often it was refused, and what first."""
    times = deeds.refused[number]
    of = f"{times:,} of {deeds.count:,} times" if times < deeds.count else "each time" if times > 1 else "once"
    return f"{deeds.operation} was refused {of} with {error_name(number)}, first of {deeds.refused_names[number]}"


def happens(kind: str, name: str, store: AnyStore) -> str:
    """Why the new store refuses it."""
    medium, rules = store.medium.kind, store.name_rules
    size_bytes = len(name.encode("utf-8", "surrogateescape"))
    return {
        TOO_LONG: f"on {medium} the path counts: the name has {size_bytes:,} bytes, and {rules.limit_bytes - 1:,} fit",
        SIGNS: f"the {medium} can't hold {_shown(refused_signs(name, store))} in a name",
        OPEN: f"no more files can be open at once on the {medium}",
        ROOM: "the store is full; what was there before stays",
        DIRECTORY: "a name is a directory of others here, and can't be a file as well",
        FOLLOWS: "it has no file to work on, since the making of it was refused or it has another name now",
    }.get(kind, f"the store on {medium} refuses it")


def over_bytes(name: str, store: AnyStore) -> int:
    """By how much a name is too long."""
    return len(name.encode("utf-8", "surrogateescape")) - store.name_rules.limit_bytes + 1


def refused_signs(name: str, store: AnyStore) -> set[str]:
    """The characters of a name that the store refuses, by asking it for each."""
    return {sign for sign in name if sign != "/" and _refuses(store, f"/a{sign}a")}


def _refuses(store: AnyStore, name: str) -> bool:
    try:
        store.name_rules.encode(name)
    except (OSError, ValueError):
        return True
    return False


def _shown(signs: set[str]) -> str:
    return " ".join(sorted(signs)) if signs else "dots and spaces at these ends"
