"""What a spelling on a host means, and whether any host could mind it; written from the guide alone."""

from __future__ import annotations

import re
import unicodedata

DEVICES = {"CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"} | {
    f"{kind}{n}" for kind in ("COM", "LPT") for n in range(10)
}


def meaning(spelled: str, *, leading_slash: bool) -> str:
    """The name in the store: `+` is a slash, and `%XX` a byte."""
    text = "" if spelled == "%" else spelled
    with_slashes = text.replace("+", "/").encode()
    raw = re.sub(rb"%([0-9A-F]{2})", lambda code: bytes((int(code[1], 16),)), with_slashes)
    return "/" * leading_slash + raw.decode("utf-8", "surrogateescape")


def fault_of_a_spelling(spelled: str) -> str | None:
    """Why some host might not hold it, or take it for something else."""
    if not spelled or len(spelled.encode()) > 255:
        return "it is empty or too long"
    for part in spelled.split("+"):
        if set(part) & set('/\\<>:"|?*') or not part.isprintable():
            return "a sign in it is reserved or can't be seen"
        if part.startswith(("-", " ")) or part.endswith((".", " ")):
            return "a part begins or ends with a sign that may get lost"
        if unicodedata.normalize("NFKC", part).upper().partition(".")[0].rstrip(" ") in DEVICES:
            return "a part is a device"
        if re.search(r"%(?![0-9A-F]{2}|~[0-9a-f]{16}$)", part) and spelled != "%":
            return "a code in it is none"
    return None
