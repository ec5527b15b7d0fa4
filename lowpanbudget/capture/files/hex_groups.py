"""A line of text in groups, as blanks and commas part them, and the octets that each stands for."""

import re
from typing import NamedTuple

from lowpanbudget.layers.link.fcs import fcs

LEAST = 3  # octets beside other words: the shortest frame, an acknowledgement without FCS
_LEAST_SUMMED = 4  # octets of which a check sequence proves something
LONG = 8  # octets of a group that is a frame, or most of one: nobody writes a word or a number so
QUOTES, OPEN, CLOSE = "\"'`", "({[<", ")}]>"

_GROUP = re.compile(r"[^\s,;]+")
_DIGITS = r"(?:0[xX])?(?:[0-9a-fA-F]{2})+"
_OCTETS = re.compile(rf"({_DIGITS}(?:[:-]{_DIGITS})*):?")
_BETWEEN = re.compile(r"0[xX]|[:-]")
_ESCAPED = re.compile(r"(?:\\x[0-9a-fA-F]{2})+")
_SUFFIXED = re.compile(r"[0-9a-fA-F]{2}[hH]")
_NAME_END = re.compile(r"[=:]")
_NAMED = re.compile(r"(?:[0-9a-fA-F]{2}){6,}")
_DATE = re.compile(r"[\[(]?(?:19|20)\d\d-[01]\d-[0-3]\d[\])]?")


class DigitGroup(NamedTuple):
    """Characters without a blank, where they begin, and their octets: none of a word, a number or a label."""

    text: str
    start: int
    octets: bytes

    @property
    def bare(self) -> str:
        """Return the text without quotes and brackets around it."""
        return self.text.strip(QUOTES + OPEN + CLOSE)

    @property
    def is_decimal(self) -> bool:
        """Return whether it may be a number of anything, nanoseconds since 1970 with their 19 digits included."""
        return self.text.isdecimal() and len(self.text) < 20


def groups_of(text: str) -> list[DigitGroup]:
    """Return the groups of a line; one that ends with a colon is a label."""
    found = [
        DigitGroup(match[0], match.start(), group_octets(match[0]))
        for match in _GROUP.finditer(text)
    ]
    # "61: 98: 07" has colons between octets; before other groups they end a label
    of_one = [group.text.endswith(":") and len(group.octets) == 1 for group in found]
    for index, group in enumerate(found):
        between = of_one[index] and any(
            of_one[max(index - 1, 0) : index] + of_one[index + 1 : index + 2]
        )
        if group.text.endswith(":") and not between:
            found[index] = group._replace(octets=b"")
    return found


def group_octets(text: str) -> bytes:
    """Return the octets that a group stands for; none for a word, a number in brackets or half an octet."""
    try:
        return bytes.fromhex(text)
    except ValueError:
        pass
    bare = text[1:] if text[:2] in ('b"', "b'") else text
    bare = bare.strip(QUOTES)
    if _DATE.fullmatch(bare):
        return b""
    if bare and (bare[0] in OPEN or bare[-1] in CLOSE):
        inner = bare.lstrip(OPEN).rstrip(CLOSE).strip(QUOTES)
        if bare[0] in OPEN and bare[-1] in CLOSE and len(inner) < 2 * LEAST:
            return b""
        bare = inner
    if match := _OCTETS.fullmatch(bare):
        return bytes.fromhex(_BETWEEN.sub("", match[1]))
    if _ESCAPED.fullmatch(bare):
        return bytes.fromhex(bare.replace("\\x", ""))
    if _SUFFIXED.fullmatch(bare):
        return bytes.fromhex(bare[:2])
    name, *behind = _NAME_END.split(text, maxsplit=1)
    value = behind[0].strip(QUOTES + OPEN + CLOSE) if behind else ""
    return bytes.fromhex(value) if any(map(str.isalpha, name)) and _NAMED.fullmatch(value) else b""


def is_summed(octets: bytes) -> bool:
    """Return whether octets end with their check sequence."""
    return len(octets) > _LEAST_SUMMED and fcs(octets[:-2]) == octets[-2:]
