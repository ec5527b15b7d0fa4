r"""The octets in a line of text, told from the words and numbers beside them; or what stands in their way.

    RX 24: 61 88 01 34 12 ff ff -40 dBm    what ends with a colon is a label
    0x61, 0x88, 0x01    61:88:01    61-88-01    \x61\x88\x01    61h 88h 01h    "618801"
    61 88 01 34 | 12 ff ff 02 | a..4....   columns of a dump, and the characters beside them
    12500,-67,6188013412ffff02              the one long group among numbers

Octets of one frame are alike: in pairs or in longer groups, with the same divider between them. What another form, a
border between cells or a bracket parts from them is none. The octets of a line are its longest such run, the last one
of equal runs; where a number beside them may be an octet, the check sequence decides. Beside other words at least
three are wanted, since "add" and "be" are words as well. A run beside what should have been an octet (a digit lost,
a letter for a digit, what stands for octets that are missing) is not read in part: the line has no octets then, and a
fault.
"""

import re
from typing import NamedTuple

from lowpanbudget.capture.files.hex_groups import (
    BRACKETS,
    LEAST,
    LONG,
    OPEN,
    DigitGroup,
    group_octets,
    groups_of,
    octets_of,
)
from lowpanbudget.capture.files.line_slips import OctetSlip, slip_in
from lowpanbudget.capture.files.octet_runs import WIDTHS, cell_of, has_columns, run_in

_FILLER = re.compile(r"(?<!\S)(?:\.\.|--|__)(?!\S)")  # where a row has no octet
# a line of a key file, or of a design, gives a name a text: nobody logs so
SETTING = re.compile(r"^[ \t]*[\w.\"-]+[ \t]*=[ \t]*[\"']", re.MULTILINE)
_ADDRESS = 8  # octets of an EUI-64
_TWO_PIECES = re.compile(rf"[0-9a-fA-F]{{{2 * _ADDRESS}}} +[0-9a-fA-F]{{{2 * LEAST},}}")
_WIDEST = 4  # digits of a number of octets
_BESIDE = {0, 2, -2}  # of octets, of those with their check sequence, of those without it
_BASE64 = re.compile(r"[A-Za-z0-9+/]{16,}={0,2}")


class LineOctets(NamedTuple):
    """The octets of a line; none with a ``slip``, or without both where the line is of other things, and ``why``.

    ``label`` is what stands before them, ``is_alone`` whether nothing stands beside them, ``is_row`` whether the
    line has the columns of a dump. ``leading`` of them may be no octets of the frame, but how many those are, or an
    address.
    """

    octets: bytes = b""
    label: str = ""
    slip: OctetSlip | None = None
    is_alone: bool = False
    is_row: bool = False
    why: str = ""
    leading: int = 0


def octets_in(text: str) -> LineOctets:
    """Return the octets of a line without its time and comment."""
    if SETTING.match(text):
        return LineOctets()
    left, is_row = _without_characters(text)
    if is_row and (row := _plain(left.strip(" |"))):
        return LineOctets(row, is_alone=True, is_row=True)
    groups = groups_of(left)
    if not groups:
        return LineOctets()
    (first, end), runs = run_in(groups, left)
    octets = octets_of(groups[first:end])
    is_alone = all(group.text in BRACKETS for group in groups[:first] + groups[end:])
    cell = cell_of(groups, (first, end), left)
    if first and is_count(groups[first - 1].text, len(octets)):
        cell = first, cell[1]  # a number that half octets are written like
    if slip := slip_in(groups, (first, end), runs, cell):
        return LineOctets(slip=slip, is_row=is_row)
    if len(octets) < LEAST and not (is_alone and left[:1].isalnum()):
        return LineOctets()
    if _are_numbers(groups, first, end):
        return LineOctets()
    is_row = is_row or has_columns(groups[first:end])
    label = left[: groups[first].start].strip(" |")
    leading = leading_in(left[groups[first].start : groups[end - 1].end], len(octets))
    return LineOctets(octets, label, None, is_alone, is_row, leading=leading)


def leading_in(text: str, count: int) -> int:
    """Return how many of so many octets may be a number of the others, or an EUI-64 in one piece before a frame."""
    text = text.lstrip(" ")
    if text[2:3] == " " and is_count(text[:2], count - 1):
        return 1
    return _ADDRESS if text[2 * _ADDRESS :][:1] == " " and _TWO_PIECES.fullmatch(text) else 0


def is_count(text: str, count: int) -> bool:
    """Return whether a number is that of octets, with their check sequence or without."""
    return text.isdecimal() and len(text) <= _WIDEST and int(text) - count in _BESIDE


def holds_octets(text: str) -> bool:
    """Return whether any group in a text is one of octets, whatever stands beside it."""
    return any(group.octets for group in groups_of(text))


def is_part(text: str) -> bool:
    """Return whether a line of a list may be octets of a frame, or such that are garbled; not a frame of its own."""
    groups = groups_of(text)
    sizes = [len(group.octets) for group in groups]
    return any(sizes) and max(sizes) < LONG


def why_none(text: str) -> str:
    """Return what is to be said of a line without octets: whoever wrote it may have meant some."""
    if SETTING.match(text):
        return "is not read: it gives a name a text, as key files do"
    if any(
        re.search("[G-Zg-z+/]", group) and re.search(r"\d", group)
        for group in text.split()
        if _BASE64.fullmatch(group) and re.search("[a-z]", group) and re.search("[A-Z]", group)
    ):
        return (
            "has no octets in hex; it looks like base64, which `base64 -d | xxd -p` writes in hex"
        )
    return "has no octets in hex"


def _plain(text: str) -> bytes:
    """Return the octets of hex without anything beside it."""
    try:
        return bytes.fromhex(text)
    except ValueError:
        return b""


def _without_characters(text: str) -> tuple[str, bool]:
    """Return a line with blanks for the lines between columns, without the characters beside them, and whether."""
    if "|" not in text:
        return text, False
    left = ""
    count = size = 0
    cells = text.split("|")
    for index, cell in enumerate(cells):
        words = _FILLER.sub("", cell).split()
        plain = _plain(" ".join(words))
        octets = [plain] if plain else [group_octets(word) for word in words]
        shown = len(cell.strip(" ")) == count and len(words) == 1  # as characters
        if count and (shown or (words and not all(octets))):
            rest = "|".join(cells[index:]).strip(" |")
            if abs(len(rest) - count) <= LEAST:
                return left, True
        before, size = size, sum(map(len, octets))
        is_column = before in WIDTHS and size <= before
        left += (" " if is_column else "|") * bool(index) + _FILLER.sub("  ", cell)
        count += size
    return left, False


def _are_numbers(groups: list[DigitGroup], first: int, end: int) -> bool:
    """Return whether groups in brackets are decimal numbers, as far as one can see."""
    in_brackets = first > 0 and groups[first - 1].text in OPEN
    return in_brackets and all(
        len(one.text) == 2 and one.is_decimal and one.text[0] != "0" for one in groups[first:end]
    )
