"""How names of a store are spelled on a host, so that any host can hold them and each can be read back.

A slash is written as `+`, and whatever might mean something to some host as the `%XX` of its UTF-8 bytes, in capital
hexadecimal digits. All other letters, digits and signs stay as they are, beyond ASCII too. Where every name of a store
begins with a slash, that slash is left out.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata

SLASH = "+"
DAMAGED = "damaged"  # behind a last slash it is the mark of damage, so a file of that name is spelled
HOST_BYTES_MAX = 255  # of one name on the usual hosts
_LAST_BYTES_MAX = HOST_BYTES_MAX - len(SLASH + DAMAGED)
_HASH_DIGITS = 16
_RESERVED = frozenset('%+<>:"\\|?*')
_DEVICES = re.compile(
    r"(con|prn|aux|nul|conin\$|conout\$|com\d|lpt\d) *(\.|$)", re.ASCII | re.IGNORECASE
)  # of some hosts, in any directory


def host_name(name: str, *, leading_slash: bool = True, by_codes: bool = False) -> str:
    """The spelling of a name, in one piece of at most 247 bytes. `leading_slash`: every name of the store has one, and
    it is left out. `by_codes` spells all letters, for a host that takes two names for one, as "a" and "A".

    A spelling that would be longer is cut, and ends with `%~` and digits of the name's SHA-256: only a list can tell
    what that name was."""
    parts = (name.removeprefix("/") if leading_slash else name).split("/")
    whole = SLASH.join(_part(part, by_codes) for part in parts)
    if parts[-1] == DAMAGED and not by_codes:
        whole = whole[: -len(DAMAGED)] + _codes(DAMAGED[0]) + DAMAGED[1:]
    if not whole:
        whole = "%"  # the name is a slash alone
    return whole if len(whole.encode()) <= _LAST_BYTES_MAX else _shortened(whole, name)


def _part(part: str, by_codes: bool) -> str:
    """What stands between two slashes."""
    signs = [_codes(sign) if (by_codes and _has_case(sign)) or not _harmless(sign) else sign for sign in part]
    if part[:1] in ("-", " "):  # an option, or a blank that nobody sees
        signs[0] = _codes(part[0])
    if part[-1:] in (".", " "):  # some hosts leave these out
        signs[-1] = _codes(part[-1])
    if part.strip(".") == "":  # "." and ".." are directories
        signs = [_codes(sign) for sign in part]
    if _DEVICES.match(unicodedata.normalize("NFKC", part)):
        signs[0] = _codes(part[0])
    return "".join(signs)


def _harmless(sign: str) -> bool:
    """Whether it is a plain sign for every host: seen, not reserved, and not taken by any for one that is."""
    if not sign.isprintable() or sign in _RESERVED:
        return False
    if sign.isascii():
        return True
    like = unicodedata.normalize("NFKC", sign)
    return not any(one.isascii() and not one.isalnum() for one in like)


def _has_case(sign: str) -> bool:
    """Whether a host may take it for another sign."""
    return sign.isalpha() or not sign.isascii()


def _codes(text: str) -> str:
    return "".join(f"%{byte:02X}" for byte in text.encode("utf-8", "surrogateescape"))


def _shortened(whole: str, name: str) -> str:
    digits = hashlib.sha256(name.encode("utf-8", "surrogateescape")).hexdigest()[:_HASH_DIGITS]
    room = _LAST_BYTES_MAX - len("%~") - _HASH_DIGITS
    kept = whole.encode()[:room].decode(errors="ignore")
    kept = re.sub(r"%[0-9A-F]?$", "", kept)  # a code that was cut in two
    return f"{kept}%~{digits}"
