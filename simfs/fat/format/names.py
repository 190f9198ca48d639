"""Names in a directory: the short one of 8 + 3 bytes that every entry has, and the long one, up to 255 characters in
UTF-16, in entries of their own before it."""

from __future__ import annotations

import errno
from functools import lru_cache

LETTERS_MAX = 255
PART_LETTERS = 13  # of a long name in one entry
LONG_FORBIDDEN = frozenset('"*/:<>?\\|') | {chr(code) for code in range(32)} | {"\x7f"}
SHORT_LEGAL = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789$%'-_@~`!(){}^#&")
SHOWN = dict.fromkeys(map(ord, LONG_FORBIDDEN | {"."}), "_")
TAIL_MAX = 999_999


def check_component(name: str) -> None:
    """EINVAL where a directory can't hold the name as it is, ENAMETOOLONG."""
    wrong = sorted(set(name) & LONG_FORBIDDEN)
    if wrong:
        raise OSError(errno.EINVAL, f"a name on a card can't hold {wrong[0]!r}", name)
    if name[-1] in ". ":
        raise OSError(errno.EINVAL, "a card drops dots and spaces at the end of a name", name)
    if name[0] == " ":
        raise OSError(errno.EINVAL, "a name on a card can't begin with a space", name)
    try:
        letters = len(name.encode("utf-16-le")) // 2
    except UnicodeEncodeError:
        raise OSError(errno.EINVAL, "a name on a card is text, and this one is no UTF-8", name) from None
    if letters > LETTERS_MAX:
        raise OSError(errno.ENAMETOOLONG, f"{letters} characters, {LETTERS_MAX} fit", name)


@lru_cache(4096)
def folded(name: str) -> str:
    """The same for names that differ only in case. A letter has another case only where the two stand for each other:
    "ß" and "SS" are two names."""
    return name.upper() if name.isascii() else "".join(map(_upper, name))


def _upper(letter: str) -> str:
    upper = letter.upper()
    return upper if upper.lower() == letter else letter


def checksum(short: bytes) -> int:
    """Of the 11 bytes of a short name: it ties the entries of a long name to theirs."""
    total = 0
    for byte in short:
        total = ((total >> 1) + ((total & 1) << 7) + byte) & 0xFF
    return total


def is_long_name(text: str) -> bool:
    """Whether this can be a long name, so that the file can be opened by it."""
    return bool(text) and text[-1] not in ". " and LONG_FORBIDDEN.isdisjoint(text)


@lru_cache(4096)
def short_text(short: bytes, lower: int = 0) -> str:
    """A short name as one reads it; `lower` has the bits that say that base or extension is shown in lower case. What
    none may have is shown as "_", and the file can be opened by that."""
    raw = b"\xe5" + short[1:] if short[0] == 0x05 else short
    base, extension = (part.decode("latin-1").rstrip(" ").translate(SHOWN) for part in (raw[:8], raw[8:]))
    base = base or "_"
    base = base.lower() if lower & 0x08 else base
    extension = extension.lower() if lower & 0x10 else extension
    return f"{base}.{extension}" if extension else base


@lru_cache(1024)
def short_exactly(name: str) -> bytes | None:
    """The short name that says the same without a long one; None if there is none."""
    base, dot, extension = name.partition(".")
    fits = 1 <= len(base) <= 8 and len(extension) <= 3 and (not dot or extension)
    if not fits or not SHORT_LEGAL.issuperset(base + extension):
        return None
    return f"{base:8}{extension:3}".encode()


def short_base(name: str) -> tuple[str, str, bool]:
    """Base, extension, and whether something got lost on the way from the long name."""
    upper = folded(name).replace(" ", "").lstrip(".")
    stem, dot, extension = upper.rpartition(".")
    if not dot:
        stem, extension = upper, ""
    kept = [
        "".join(sign if sign in SHORT_LEGAL else "_" for sign in part) for part in (stem.replace(".", ""), extension)
    ]
    lost = kept != [stem, extension] or " " in name or name.startswith(".")
    base, extension = kept[0] or "_", kept[1]
    return base[:8], extension[:3], lost or len(base) > 8 or len(extension) > 3


def short_alias(name: str, taken: set[bytes]) -> bytes:
    """A short name for a long one that no other entry of the directory has. ENOSPC when all are taken."""
    base, extension, lost = short_base(name)
    plain = f"{base:8}{extension:3}".encode()
    if not lost and plain not in taken:
        return plain
    for number in range(1, TAIL_MAX + 1):
        tail = f"~{number}"
        alias = f"{base[: 8 - len(tail)] + tail:8}{extension:3}".encode()
        if alias not in taken:
            return alias
    raise OSError(errno.ENOSPC, "every short name is taken", name)


def long_parts(name: str) -> list[bytes]:
    """The pieces of a long name, 26 bytes each, in the order of the text."""
    raw = name.encode("utf-16-le")
    if len(raw) % (2 * PART_LETTERS):
        raw += b"\0\0"
    raw += b"\xff" * (-len(raw) % (2 * PART_LETTERS))
    return [raw[at : at + 2 * PART_LETTERS] for at in range(0, len(raw), 2 * PART_LETTERS)]


def long_text(parts: list[bytes]) -> str:
    """The long name in its pieces; what is no text comes back as replacement characters."""
    raw = b"".join(parts)
    for at in range(0, len(raw), 2):
        if raw[at : at + 2] == b"\0\0":
            raw = raw[:at]
            break
    return raw.decode("utf-16-le", "replace")
