"""Texts that say the same of many but for their numbers, as one text that holds for all of them."""

import re
from collections.abc import Sequence

# numbers as people write them: none within an address, a name or octets; with the plural of what is counted behind it
_NUMBER = r"(\d+(?:\.\d+)?)(?!\.?[\w:/])"
_COUNTED = re.compile(rf"(?<![\w:./]){_NUMBER}(?: to {_NUMBER})?(?: ([a-z]{{3,}}?)(s?)\b)?(?!:)")


def form_of(text: str) -> str:
    """Return a text without its numbers: those of one form differ in nothing else."""
    return _COUNTED.sub(lambda found: f"\0 {found[3] or ''}", text)


def spanning(texts: Sequence[str]) -> str:
    """Return the text of one form that holds for all: where numbers differ, from the least to the most of them."""
    told, at = max(texts, key=len), 0
    parts: list[str] = []
    same = zip(*(_COUNTED.finditer(text) for text in texts), strict=True)
    for here, several in zip(_COUNTED.finditer(told), same, strict=True):
        numbers = [found[at] for found in several for at in (1, 2) if found[at]]
        least, most = min(numbers, key=float), max(numbers, key=float)
        span = most if float(least) == float(most) else f"{least} to {most}"
        word = max(f" {found[3]}{found[4]}" if found[3] else "" for found in several)
        parts += told[at : here.start()], span, word
        at = here.end()
    return "".join((*parts, told[at:]))


def listed(subjects: Sequence[str], most: int) -> str:
    """Return subjects in a row; of many the first by name, and how many more. What all say stands once."""
    whats = {subject.partition(": ")[2] for subject in subjects}
    what = whats.pop() if len(whats) == 1 else ""
    if what:
        subjects = [subject.partition(": ")[0] for subject in subjects]
    heads = {subject.rpartition(" ")[0] for subject in subjects}
    head = heads.pop() if len(heads) == 1 and len(subjects) > 1 else ""
    if head:  # before a last word that alone tells which it is
        subjects = [subject.rpartition(" ")[2] for subject in subjects]
    named = (head and f"{head} ") + ", ".join(subjects[:most])
    more = len(subjects) - most
    return (named if more <= 0 else f"{named} and {more} more") + (what and f": {what}")
