r"""The octets in a line of text, told from the words and numbers beside them; or what stands in their way.

    RX 24: 61 88 01 34 12 ff ff -40 dBm    what ends with a colon is a label
    0x61, 0x88, 0x01    61:88:01    61-88-01    \x61\x88\x01    61h 88h 01h    "618801"
    61 88 01 34 | 12 ff ff 02 | a..4....   columns of a dump, and the characters beside them
    12500,-67,6188013412ffff02              the one long group among numbers

The octets of a line are its longest run of groups, the last one of equal runs. Beside other words at least three are
wanted, since "add" and "be" are words as well. A run that ends at what should have been an octet (a digit lost, a
letter for a digit, numbers in decimal) is not read in part: the line has no octets then, and a fault.
"""

import re
from itertools import pairwise
from typing import NamedTuple

from lowpanbudget.capture.files.hex_groups import (
    LEAST,
    LONG,
    DigitGroup,
    group_octets,
    groups_of,
    is_summed,
)
from lowpanbudget.capture.files.line_slips import OctetSlip, slip_beside

_FILLER = re.compile(r"(?<!\S)(?:\.\.|--|__)(?!\S)")  # where a row has no octet
_SETTING = re.compile(
    r"\s*[\w.-]+\s*=\s*[\"']"
)  # a line of a key file, or of a design: nobody logs so
_CELL_ENDS = set(",;\t")
_LEAST_CELL = 5  # octets of a cell that has a frame: the shortest one with its check sequence
_BASE64 = re.compile(r"[A-Za-z0-9+/]{16,}={0,2}")


class LineOctets(NamedTuple):
    """The octets of a line; none with a ``slip``, or without both where the line is of other things.

    ``label`` is what stands before them, ``is_alone`` whether nothing stands beside them, ``is_row`` whether the
    line has the columns of a dump.
    """

    octets: bytes = b""
    label: str = ""
    slip: OctetSlip | None = None
    is_alone: bool = False
    is_row: bool = False


def octets_in(text: str) -> LineOctets:
    """Return the octets of a line without its time and comment."""
    if _SETTING.match(text):
        return LineOctets()
    left, is_row = _without_characters(text)
    if is_row and (row := _plain(left)):
        return LineOctets(row, is_alone=True, is_row=True)
    everything = groups_of(left)
    groups = _of_cell(everything, left)
    runs = _runs(groups)
    first, end = max(runs, key=lambda run: (_size(groups, run), run), default=(0, 0))
    if groups and (alone := _long_alone(groups)) is not None:
        first, end = alone, alone + 1
    octets = b"".join(group.octets for group in groups[first:end])
    is_alone = end - first == len(everything)
    if slip := slip_beside(groups, first, end):
        return LineOctets(slip=slip, is_row=is_row)
    if len(octets) < LEAST and not (is_alone and left[:1].isalnum()):
        return LineOctets()
    if _are_numbers(groups[first:end]):
        return LineOctets()
    is_row = is_row or _has_gap(groups[first:end])
    return LineOctets(octets, left[: groups[first].start].strip(" |"), None, is_alone, is_row)


def holds_octets(text: str) -> bool:
    """Return whether any group in a text is one of octets, whatever stands beside it."""
    return any(group.octets for group in groups_of(text))


def why_none(text: str) -> str:
    """Return what is to be said of a line without octets: whoever wrote it may have meant some."""
    if _SETTING.match(text):
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
    count = 0
    cells = text.split("|")
    for index, cell in enumerate(cells):
        words = _FILLER.sub("", cell).split()
        plain = _plain(" ".join(words))
        octets = [plain] if plain else [group_octets(word) for word in words]
        shown = len(cell.strip(" ")) == count and len(words) == 1  # as characters
        if count and (shown or (words and not all(octets))):
            rest = "|".join(cells[index:]).strip(" |")
            return left, abs(len(rest) - count) <= LEAST
        left += _FILLER.sub("  ", cell) + " "
        count += sum(map(len, octets))
    return left, False


def _runs(groups: list[DigitGroup]) -> list[tuple[int, int]]:
    """Return where groups of octets follow each other: the first, and the one behind the last."""
    runs, first = [], None
    for index, group in enumerate([*groups, DigitGroup("", 0, b"")]):
        if group.octets and first is None:
            first = index
        elif not group.octets and first is not None:
            runs.append((first, index))
            first = None
    return runs


def _size(groups: list[DigitGroup], run: tuple[int, int]) -> int:
    return sum(len(group.octets) for group in groups[slice(*run)])


def _of_cell(groups: list[DigitGroup], text: str) -> list[DigitGroup]:
    """Return the groups of the one cell of a table that has octets, where others have words or a number; else all."""
    if not set(text) & _CELL_ENDS:
        return groups
    cells = [groups[:1]]
    for before, after in pairwise(groups):
        if set(text[before.start + len(before.text) : after.start]) & _CELL_ENDS:
            cells.append([])
        cells[-1].append(after)
    long = [cell for cell in cells if _size(cell, (0, len(cell))) >= _LEAST_CELL]
    if len(long) != 1:
        return groups
    for cell in cells:
        numbers = [group for group in cell if group.octets]
        if cell is not long[0] and (len(numbers) > 1 or not all(one.is_decimal for one in numbers)):
            return groups
    return long[0]


def _long_alone(groups: list[DigitGroup]) -> int | None:
    """Return which group is long where all others are words, or numbers before it."""
    long = [index for index, group in enumerate(groups) if len(group.octets) >= LONG]
    if len(long) != 1:
        return None
    (at,) = long
    before, behind = groups[:at], groups[at + 1 :]
    if any(group.octets and not group.is_decimal for group in before):
        return None
    if any(group.octets for group in behind):
        return None
    # the frame control field may stand apart: of a number of four digits a check sequence is to prove that it is one
    is_control = len(groups) == 2 and len(before) == 1 and len(before[0].octets) == 2
    return None if is_control and not is_summed(groups[at].octets) else at


def _has_gap(run: list[DigitGroup]) -> bool:
    """Return whether octets stand in two columns of eight."""
    if len(run) != 16 or any(len(group.text) != 2 for group in run):
        return False
    gaps = [after.start - before.start - 2 for before, after in pairwise(run)]
    return gaps[7] > gaps[0] and gaps.count(gaps[0]) == 14


def _are_numbers(run: list[DigitGroup]) -> bool:
    """Return whether groups in brackets are decimal numbers, as far as one can see."""
    bare = [group.bare for group in run]
    in_brackets = any(one != group.text for one, group in zip(bare, run, strict=True))
    return in_brackets and all(len(one) == 2 and one.isdecimal() and one[0] != "0" for one in bare)
