"""Other names for files that a store can't keep as they are: shorter, without certain characters, or apart.

Names are patterns of a scenario: text with placeholders, of which only the text is changed, except that a part of the
path goes which says nothing that the rest does not say too.
"""

from __future__ import annotations

import re

from simfs.replay.scenario.patterns import Field, parse_pattern

STANDS_FOR = "-"
_WORD = re.compile(r"[^\W_]{2,}")
_WITHIN_DATE = {"year", "month", "day", "date"}
_CLOCK_OF_TIME = "{hour}{minute}{second}"


def shorter(text: str, over_bytes: int) -> str | None:
    """The pattern, shorter by so many bytes or more; None where its text alone has not so many to give."""
    found, gained = _without_repetition(text)
    words = _words(found)
    while gained < over_bytes:
        longest = max(words, key=lambda word: word[1] - word[0], default=(0, 0))
        if longest[1] - longest[0] <= 1:
            return None
        at = longest[1] - 1
        gained += len(found[at].encode())
        found = found[:at] + found[at + 1 :]
        words = [(begin - (begin > at), end - (end > at)) for begin, end in words]
    return found


def without(text: str, refused: set[str]) -> str:
    """The pattern with a dash for each of these characters, and without dots and spaces at the ends of a part."""
    pieces = []
    for piece in parse_pattern(text).pieces:
        if isinstance(piece, Field):
            timed = piece.name == "time" and ":" in refused
            pieces.append(_CLOCK_OF_TIME if timed else _spelled(piece))
        else:
            kept = "".join(STANDS_FOR if sign in refused else sign for sign in piece)
            pieces.append(kept.replace("{", "{{").replace("}", "}}"))
    return "/".join(part.lstrip(" ").rstrip(". ") for part in "".join(pieces).split("/"))


def apart(text: str, number: int) -> str:
    """The pattern with a number before the ending of the file's name."""
    folder, slash, name = text.rpartition("/")
    stem, dot, ending = name.rpartition(".")
    if not dot or "}" in ending:
        return f"{text}{number}"
    return f"{folder}{slash}{stem}{number}{dot}{ending}"


def _without_repetition(text: str) -> tuple[str, int]:
    """Without parts of the path that are only a year or month, where the file's own name has the date."""
    *folders, name = text.split("/")
    if "{date}" not in name:
        return text, 0
    kept = [part for part in folders if not part or not _only_dates(part)]
    gained = sum(_size_bytes(part) + 1 for part in folders if part and _only_dates(part))
    return "/".join([*kept, name]), gained


def _only_dates(part: str) -> bool:
    pieces = parse_pattern(part).pieces
    fields = {piece.name for piece in pieces if isinstance(piece, Field)}
    return bool(fields) and fields <= _WITHIN_DATE and not any(_WORD.search(one) for one in pieces if type(one) is str)


def _size_bytes(part: str) -> int:
    """At least so many bytes stand for a part of dates."""
    least = {"date": 10, "year": 4}
    return sum(
        least.get(piece.name, 2) if isinstance(piece, Field) else len(piece.encode())
        for piece in parse_pattern(part).pieces
    )


def _words(text: str) -> list[tuple[int, int]]:
    """Where in a pattern words stand that can be shortened: not in placeholders, and not the ending of the name."""
    stem_end = text.rfind(".") if "." in text.rpartition("/")[2] else len(text)
    inside = [range(match.start(), match.end()) for match in re.finditer(r"\{[^{}]*\}", text)]
    found = [match.span() for match in _WORD.finditer(text, 0, stem_end)]
    return [span for span in found if not any(span[0] in place for place in inside)]


def _spelled(piece: Field) -> str:
    return f"{{{piece.name}:{piece.width}}}" if piece.width else f"{{{piece.name}}}"
