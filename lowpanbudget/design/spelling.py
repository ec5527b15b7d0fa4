"""Hints for a mistyped word: the word that was meant, or all words that are allowed."""

import difflib
from collections.abc import Iterable


def meant(word: str, vocabulary: Iterable[str]) -> str:
    """Return "Did you mean ...?" when one of the known words is close, else an empty text."""
    words = {other.lower(): other for other in vocabulary}
    # a longer word is no slip of the keys, and comparing takes quadratic time
    close = difflib.get_close_matches(word[:64].lower(), words, n=1, cutoff=0.6)
    return f"Did you mean {words[close[0]]}?" if close else ""


def spelled(word: str, vocabulary: Iterable[str], what: str = "Known here") -> str:
    """Return the word that was meant, or all known ones behind ``what``."""
    vocabulary = tuple(vocabulary)
    return meant(word, vocabulary) or f"{what}: {', '.join(vocabulary) or 'none'}"
