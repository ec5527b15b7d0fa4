"""A line of text in groups, as blanks, commas and brackets part them, and the octets that each stands for."""

import re
from typing import NamedTuple

from lowpanbudget.layers.link.fcs import fcs

LEAST = 3  # octets beside other words: the shortest frame, an acknowledgement without FCS
_LEAST_SUMMED = 4  # octets of which a check sequence proves something
LONG = 8  # octets of a group that is a frame, or most of one: nobody writes a word or a number so
QUOTES, OPEN, CLOSE = "\"'`", "({[<", ")}]>"
BRACKETS = frozenset(OPEN + CLOSE + "|")

_GROUP = re.compile(r"[][(){}<>|]|[^][(){}<>|\s,;]+")
_DIGITS = r"(?:0[xX])?(?:[0-9a-fA-F]{2})+"
_OCTETS = re.compile(rf"({_DIGITS}(?:[:-]{_DIGITS})*):?")
_BETWEEN = re.compile(r"0[xX]|[:-]")
_ESCAPED = re.compile(r"(?:\\x[0-9a-fA-F]{2})+")
_SUFFIXED = re.compile(r"([0-9a-fA-F]{2})[hH]|0[xX]([0-9a-fA-F]{2})[uU]")
_NAMED = re.compile(r"([^=:#]*[A-Za-z][^=:#]*[=:]|[^=:#]+#)(.*)")
_NAME_END = re.compile(r"[=:#]")
_LAST_OCTET = re.compile(r"[0-9a-f]{2}(?=[hu]?$)")
_JOINED = re.compile(r"[0-9a-f]{2}[:-][0-9a-f]")
_LEAST_NAMED = 6  # octets behind a name: fewer may be a number
_OF_OCTETS = re.compile(  # names that octets have, where numbers have others
    r"[\"']?(?:\w*[_.])?(?:frame|data|payload|psdu|mpdu|packet|pkt|rx|tx|raw|hex|octets|bytes|msg)[\"']?[=:]",
    re.IGNORECASE,
)
_OF_NUMBER = re.compile(
    r"[\"']?(?:\w*_)?(?:len|size|n|no|num|cnt|count|rssi|lqi|snr|ch|seq|dsn|id|node|pan|src|dst|addr|from|to|port|t|ts|time|"
    r"power|pwr|prio|retries|try|crc|fcs)\w*[\"']?[=:#]",
    re.IGNORECASE,
)
_COUNTED = {"octet", "octets", "byte", "bytes", "dbm", "ms", "us", "hops"}
_DATE = re.compile(r"(?:19|20)\d\d-[01]\d-[0-3]\d|[0-3]\d-[01]\d-(?:19|20)\d\d")
_CLOCK = re.compile(r"[0-2]\d:[0-5]\d(?::[0-6]\d)?:?")
_ACKNOWLEDGEMENT = re.compile(r"[01]2:00:\d\d")


class DigitGroup(NamedTuple):
    """Characters without a blank, where they begin, and their octets: none of a word, a number or a label."""

    text: str
    start: int
    octets: bytes

    @property
    def end(self) -> int:
        """Return where the next character stands."""
        return self.start + len(self.text)

    @property
    def bare(self) -> str:
        """Return the text without quotes around it."""
        return self.text.strip(QUOTES)

    @property
    def form(self) -> str:
        """Return how its octets are written: octets of one frame are alike."""
        if len(self.text) == 2:
            return ""
        bare = self.bare.rstrip(":").lower()
        if len(self.octets) == 1:
            return _LAST_OCTET.sub("", _NAME_END.split(bare)[-1])
        return ":" if _JOINED.search(bare) else "solid"

    @property
    def is_decimal(self) -> bool:
        """Return whether it may be a number of anything, nanoseconds since 1970 with their 19 digits included."""
        return self.text.isdecimal() and len(self.text) < 20


def groups_of(text: str) -> list[DigitGroup]:
    """Return the groups of a line; one that ends with a colon is a label, one before what is counted a number."""
    found = [
        DigitGroup(match[0], match.start(), group_octets(match[0]))
        for match in _GROUP.finditer(text)
    ]
    # "61: 98: 07" has colons between octets; before other groups they end a label
    of_one = [group.text.endswith(":") and len(group.octets) == 1 for group in found]
    count = sum(len(group.octets) for group in found)
    for index, group in enumerate(found):
        if len(group.text) == 2 and group.octets:
            continue
        between = of_one[index] and any(
            of_one[max(index - 1, 0) : index] + of_one[index + 1 : index + 2]
        )
        is_label = group.text.endswith(":") and not between
        is_clock = _CLOCK.fullmatch(group.text) and (
            count - len(group.octets) >= LEAST or _is_time(found, index)
        )
        if is_label or is_clock:
            found[index] = group._replace(octets=b"")
        elif index and found[index - 1].is_decimal and group.text.lower() in _COUNTED:
            found[index - 1] = found[index - 1]._replace(octets=b"")
    return found


def _is_time(groups: list[DigitGroup], index: int) -> bool:
    """Return whether what is written as a clock is one: among words, unless an acknowledgement is where frames are."""
    words = [group for group in groups if group.text not in BRACKETS and not group.octets]
    is_last = index + 1 == len(groups)
    is_named = index > 0 and groups[index - 1].text.endswith((":", "="))
    is_frame = _ACKNOWLEDGEMENT.fullmatch(groups[index].text) and (is_last or is_named)
    return bool(words) and not is_frame


def group_octets(text: str) -> bytes:
    """Return the octets that a group stands for; none for a word, a date or half an octet."""
    if (octets := _octets(text)) or not (match := _NAMED.fullmatch(text)):
        return octets
    name, value = match[1], _octets(match[2])
    least = 1 if _OF_OCTETS.fullmatch(name) else LEAST if name[-1] == "#" else _LEAST_NAMED
    return value if len(value) >= least else b""


def may_be_named(text: str) -> bool:
    """Return whether the first octets of several may be glued to a name that numbers do not have."""
    match = _NAMED.fullmatch(text)
    return match is not None and bool(_octets(match[2])) and not _OF_NUMBER.match(match[1])


def _octets(text: str) -> bytes:
    """Return the octets of a group without a name."""
    try:
        return bytes.fromhex(text)
    except ValueError:
        pass
    bare = text[1:] if text[:2] in ('b"', "b'") else text
    bare = bare.strip(QUOTES)
    if _DATE.fullmatch(bare):
        return b""
    if match := _OCTETS.fullmatch(bare):
        return bytes.fromhex(_BETWEEN.sub("", match[1]))
    if _ESCAPED.fullmatch(bare):
        return bytes.fromhex(bare.replace("\\x", ""))
    if match := _SUFFIXED.fullmatch(bare):
        return bytes.fromhex(match[1] or match[2])
    return b""


def octets_of(groups: list[DigitGroup]) -> bytes:
    """Return the octets of groups together."""
    return b"".join(group.octets for group in groups)


def is_summed(octets: bytes) -> bool:
    """Return whether octets end with their check sequence."""
    return len(octets) > _LEAST_SUMMED and fcs(octets[:-2]) == octets[-2:]
