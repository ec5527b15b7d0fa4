"""The usual frame read by one function: MAC header, IPHC and compressed UDP, whose words fix every offset.

The frame control says where the payload starts, the IPHC word where UDP's octet stands: for three words that come again
a function is made of the three layouts. What is behind them, or not as usual, is read as in any frame.
"""

from collections.abc import Callable
from typing import Any, NamedTuple

from lowpanbudget.fields.compiled import Functions
from lowpanbudget.fields.source import FunctionSource
from lowpanbudget.layers.link import mac
from lowpanbudget.layers.link.control import CONTROL, FrameForm, FrameType, shape
from lowpanbudget.layers.lowpan import iphc, nhc

_MOST = 4096  # words remembered at a time, some 200 octets each
_number = int.from_bytes


class Shape(NamedTuple):
    """A frame of these words: ``read`` gives its headers' values and spans, and the places that are free.

    Its payload starts at octet ``start``, UDP's octet stands at ``udp`` (None: the next header is in line), and the
    headers end at ``end``.
    """

    read: Callable[..., Any]
    start: int
    udp: int | None
    end: int


def shape_of(octets: bytes, end: int) -> Shape | None:
    """Return the shape of a frame whose FCS starts at octet ``end``; None where it has no usual one, or none yet."""
    start = _starts.get(octets[:2])
    if start is None:
        start = _remembered(_starts, octets[:2], _start)
    if not 0 < start <= end - iphc.HEADER.octets:
        return None
    word = octets[start : start + 2]
    behind = _behind.get(word)
    if behind is None:
        behind = _remembered(_behind, word, _octets_before_udp)
    if not behind or start + behind >= end:
        return None
    key = octets[:2] + octets[start : start + 2]
    if behind > 0:
        key += octets[start + behind : start + behind + 1]
    try:
        return _SHAPES.functions[key]
    except KeyError:
        return _SHAPES.sighted(key)


_starts: dict[bytes, int] = {}
_behind: dict[bytes, int] = {}


def _remembered(known: dict[bytes, int], word: bytes, work_out: Callable[[bytes], int]) -> int:
    if len(known) >= _MOST:
        known.clear()
    known[word] = worked_out = work_out(word)
    return worked_out


def _start(word: bytes) -> int:
    """Return the octet where the payload of such a frame starts; 0 where no function reads its header."""
    form = _form(word)
    if form is None:
        return 0
    return form.octets + (not form.suppressed) + form.layout.least


def _form(word: bytes) -> FrameForm | None:
    if len(word) < CONTROL.octets:
        return None
    form = shape(*word)
    usual = form.frame_type is FrameType.DATA and form.fault is None
    return form if usual and not (form.secured or form.ie_present) else None


def _octets_before_udp(word: bytes) -> int:
    """Return how many octets lead from an IPHC word to UDP's octet, below 0 without one; 0 for what is no such word."""
    number = _number(word, iphc.HEADER.order)
    rows = iphc.rows_of(number)
    if rows is None:
        return 0
    octets = iphc.HEADER.octets + iphc.HEADER.inline(number)
    return octets if rows["nh"].code else -octets


def _made(key: bytes) -> Shape | None:
    """Return the shape of frames with this frame control, IPHC word and, where there is one, UDP's octet."""
    form, word = _form(key[:2]), _number(key[2:4], iphc.HEADER.order)
    if form is None or (len(key) > 4 and nhc.KINDS[key[4]].key != "udp"):
        return None
    source = FunctionSource("headers", "MAC", 0)
    header = mac.take_up(source, form)
    start = source.octets
    compressed = iphc.take_up(source, word, (f"{header}.source", f"{header}.destination"), "known")
    udp, transport = None, "None"
    if len(key) > 4:
        udp = source.octets
        transport = nhc.take_up(source, key[4])
    read = source.headers("fcs_ok, known", header, compressed, transport)
    return Shape(read, start, udp, source.octets)


_SHAPES: Functions[bytes, Shape] = Functions(_made)
