"""Which of the words that are known somebody may have meant."""

from __future__ import annotations

from collections.abc import Iterable

LETTERS_MAX = 60  # of a word that is compared; the time to compare grows with its length


def did_you_mean(given: object, known: Iterable[str]) -> str:
    """`did you mean every? ` where one of the known words is much like what was given; else nothing.

    Upper and lower case count as the same.
    """
    from difflib import get_close_matches

    if not isinstance(given, str) or len(given) > LETTERS_MAX:
        return ""
    words = {word.lower(): word for word in reversed(list(known))}
    near = get_close_matches(given.lower(), words, n=1, cutoff=0.6)
    return f"did you mean {words[near[0]]}? " if near else ""
