"""Frames that a text wraps over several lines without offsets: lists in braces, rows of a dump.

    const uint8_t frame[] = {                   10:20:30.123 radio: RX
      0x41, 0x88, 0x2a, 0xcd, 0xab, 0x01,         41 88 2a cd ab 01 00 17  00 7e 77 f3 12 9c 5b 68  |A.*.....|
      0x00, 0x17 };                               65 6c 6c 6f 00 00                                 |ello..|

What is between braces is one frame, and so are rows with columns: the last is a shorter one, or a blank line is behind
it. Rows of nothing but octets may be frames as well: the check sequence of all proves that they are one.
"""

import re
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from lowpanbudget.capture.files.hex_dump import TextLine
from lowpanbudget.capture.files.hex_groups import is_summed
from lowpanbudget.capture.files.line_octets import LineOctets, holds_octets, is_part, octets_in
from lowpanbudget.capture.files.line_slips import OctetSlip
from lowpanbudget.layers.link.mac import LARGEST_SUN_FRAME

_MOST_PLAIN = 128  # octets of rows that nothing but a check sequence can prove to be one frame: what most radios send
_FULL = 16  # octets of a row with columns; fewer end the dump
_USUAL = {8, 16, 32}  # of them those that need no proof to look like one
_WIDTHS = {8, 12, 16, 20, 24, 32}  # octets of a row
_ACKNOWLEDGEMENT = re.compile(rb"[\x02\x12]\x00.(..)?", re.DOTALL)
_UNPROVED = "with those below it looks like rows of one dump, and no check sequence proves it: write a frame a line"


class OctetLine(NamedTuple):
    """A line, or several that are one frame together, and its octets."""

    line: TextLine
    found: LineOctets

    @property
    def octets(self) -> bytes:
        """Return the octets."""
        return self.found.octets

    @property
    def is_sound(self) -> bool:
        """Return whether its octets end with their check sequence."""
        return is_summed(self.octets)


def in_braces(lines: Iterable[TextLine]) -> Iterator[TextLine]:
    """Yield lines as they are, and those from an open brace to its closing one as one where all of them are octets."""
    held: list[TextLine] = []
    parts: list[str] = []
    characters = 0
    for line in lines:
        if held:
            tail, _, behind = line.text.partition("}")
        else:
            tail, behind = line.text.rpartition("{")[2], ""
            if len(tail) == len(line.text) or "}" in tail:
                yield line
                continue
        held.append(line)
        parts.append(tail)
        characters += len(tail) + 1
        is_closed = len(held) > 1 and len(tail) < len(line.text)
        is_other = bool(tail.strip()) and not (_is_open(parts[:-1]) and is_part(tail))
        if is_closed or is_other or characters > 8 * LARGEST_SUN_FRAME:
            yield from _closed(held, "" if is_other else " ".join(parts))
            held, parts, characters = [], [], 0
            if not is_other and holds_octets(behind):
                yield line._replace(text=behind)
    yield from held


def _is_open(parts: list[str]) -> bool:
    """Return whether a list goes on behind its last line."""
    last = next((part.rstrip() for part in reversed(parts) if part.strip()), ",")
    return last.endswith(",")


def _closed(held: list[TextLine], text: str) -> Iterator[TextLine]:
    found = octets_in(text)
    if found.octets or found.slip is not None:
        yield held[0]._replace(text=text, is_dump=True)
    else:
        yield from held


def rows_joined(lines: Iterable[OctetLine]) -> Iterator[OctetLine]:
    """Yield lines as they are, and rows that are one frame as one line, where the first row was."""
    rows: list[OctetLine] = []
    for one in _without_broken(lines):
        if rows and not _continues(rows, one):
            yield from _together(rows, is_apart=one.line.is_apart)
            rows = []
        if rows or _begins(one):
            rows.append(one)
            # what follows a frame that ends with its check sequence is another: both together would be summed rightly
            is_whole = len(rows) > 1 and is_summed(b"".join(row.octets for row in rows))
            if is_whole or (len(one.octets) < len(rows[0].octets) and rows[0].found.is_row):
                yield from _together(rows, is_apart=True)
                rows = []
        else:
            yield one
    yield from _together(rows, is_apart=True)


def _without_broken(lines: Iterable[OctetLine]) -> Iterator[OctetLine]:
    """Yield lines; of the rows of a dump of which one has a fault that one alone, and the fault."""
    rows: list[OctetLine] = []  # of a dump, up to here
    broken = False
    for one in lines:
        goes_on = one.found.is_row and not one.line.is_apart and one.line.time_ns is None
        if not goes_on or not rows:
            yield from () if broken else rows
            rows, broken = [], False
        if not one.found.is_row:
            yield one
            continue
        rows.append(one)
        if one.found.slip is not None:
            broken = True
            yield one
        elif len(one.octets) < _FULL or len(rows) * _FULL > LARGEST_SUN_FRAME:
            yield from () if broken else rows
            rows, broken = [], False
    yield from () if broken else rows


def headed(lines: Iterable[OctetLine]) -> Iterator[OctetLine]:
    """Yield lines; one with a time and words alone, right before a dump without a time, gives it its time."""
    head: OctetLine | None = None
    for one in lines:
        line, time_ns = one.line, None if head is None else head.line.time_ns
        is_clock = head is not None and head.line.is_clock
        if head is not None and not (line.is_dump and line.time_ns in {None, time_ns}):
            yield head
            time_ns = None
        head = None
        if time_ns is not None:
            yield one._replace(line=line._replace(time_ns=time_ns, is_clock=is_clock))
        elif line.time_ns is not None and not one.octets and one.found.slip is None:
            head = one
        else:
            yield one
    if head is not None:
        yield head


def _begins(one: OctetLine) -> bool:
    """Return whether a line may be the first row of several."""
    if one.line.is_dump or len(one.octets) not in _WIDTHS:
        return False
    return not one.is_sound


def _continues(rows: list[OctetLine], one: OctetLine) -> bool:
    first, count = rows[0], sum(len(row.octets) for row in rows)
    width = len(first.octets)
    most = LARGEST_SUN_FRAME if first.found.is_row else _MOST_PLAIN
    return (
        0 < len(one.octets) <= width == len(rows[-1].octets)
        and count + len(one.octets) <= most
        and not (one.line.is_apart or one.line.is_dump)
        and one.line.time_ns == first.line.time_ns
        and one.found.label == first.found.label
        and (first.found.is_row or one.found.is_alone == first.found.is_alone)
    )


def _together(rows: list[OctetLine], *, is_apart: bool) -> Iterator[OctetLine]:
    """Yield rows as one frame where that is sure, as a fault where it is likely, else each for itself."""
    if len(rows) < 2:
        yield from rows
        return
    first, last = rows[0], rows[-1]
    line = first.line._replace(is_dump=True)
    octets = b"".join(row.octets for row in rows)
    whole = OctetLine(line, first.found._replace(octets=octets, leading=0))
    if first.found.is_row or whole.is_sound:
        yield whole
    elif (
        is_apart
        and first.line.is_apart
        and first.found.is_alone
        and first.line.time_ns is None
        and len(first.octets) in _USUAL
        and len(last.octets) < len(first.octets)
        and not _ACKNOWLEDGEMENT.fullmatch(last.octets)
        and not last.is_sound
    ):
        yield OctetLine(line, LineOctets(slip=OctetSlip(0, _UNPROVED)))
    else:
        yield from rows
