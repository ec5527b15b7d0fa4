"""Hints for a mistyped word: the word that was meant, or all words that are allowed."""

import re
from collections.abc import Iterable

from lowpanbudget.layers.lowpan import mesh

# parts of words that ask for what another key plans
_ELSEWHERE = {"mesh": mesh.PLANNED}
_SHORT = 3  # letters of an abbreviation that says which word it is of
_BRIEF = 4  # letters of a word of which one slip leaves little that is alike
_FEW = 3  # words that begin alike


def elsewhere(word: str) -> str:
    """Return which key plans what a word asks for, where that is one of another table, else an empty text."""
    return next((says for part, says in _ELSEWHERE.items() if part in word.lower()), "")


def meant(word: str, vocabulary: Iterable[str]) -> str:
    """Return "Did you mean ...?" when known words are close, or longer by what was left out, else an empty text."""
    words = {other.lower(): other for other in vocabulary}
    # a longer word is no slip of the keys, and comparing takes quadratic time
    word = word[:64].lower()
    letters = _letters(word)
    likely = _close(word, words, 0.8)
    if not likely and len(letters) >= _SHORT:
        likely = [other for other in words if _letters(other).startswith(letters)][: _FEW + 1]
    if not 0 < len(likely) <= _FEW:
        # of longer words that are less alike, most are so by chance
        likely = _close(word, words, 0.6 if len(word) <= _BRIEF else 0.7)
    if not likely:  # "868" is the end of several
        likely = [other for other in words if word in re.split(r"[-_ ]", other)]
    if len(likely) > _FEW:
        likely = []
    return f"Did you mean {_any_of([words[other] for other in likely])}?" if likely else ""


def _close(word: str, words: Iterable[str], cutoff: float) -> list[str]:
    import difflib  # noqa: PLC0415  # only a word that is wrong

    return difflib.get_close_matches(word, words, n=1, cutoff=cutoff)


def _any_of(words: list[str]) -> str:
    *others, last = words
    return f"{', '.join(others)} or {last}" if others else last


def _letters(word: str) -> str:
    return re.sub(r"[-_ ]", "", word)


def spelled(word: str, vocabulary: Iterable[str], what: str = "Known here") -> str:
    """Return the word that was meant, or all known ones behind ``what``; of none, that the file may be cut."""
    vocabulary = tuple(filter(None, vocabulary))
    if not vocabulary:
        return f"{what}: none; look whether the file is whole"
    return meant(word, vocabulary) or f"{what}: {', '.join(vocabulary)}"
