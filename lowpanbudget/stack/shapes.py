"""The usual frame read by one function: MAC header, IPHC and compressed UDP, whose words fix every offset.

The frame control says where the payload starts, the IPHC word where UDP's octet stands: for three words that were read
together often a function is made of the three layouts. What stands behind them is read as in any frame.
"""

from collections.abc import Callable
from typing import Any, NamedTuple

from lowpanbudget.fields.compiled import MOST, Functions
from lowpanbudget.fields.source import FunctionSource
from lowpanbudget.layers.link import mac
from lowpanbudget.layers.link.control import CONTROL, FrameType, shape
from lowpanbudget.layers.lowpan import iphc, nhc

_CONTROL, _WORD = CONTROL.octets, iphc.HEADER.octets


class Shape(NamedTuple):
    """A frame of these words: ``read`` gives its headers' values and spans, and the places that are free.

    Its payload starts at octet ``start``, UDP's octet stands at ``udp`` (None: the next header is in line), and the
    headers end at ``end``.
    """

    read: Callable[..., Any]
    start: int
    udp: int | None
    end: int


_starts: dict[bytes, int] = {}  # the octet where the payload starts, by frame control
_udp: dict[
    bytes, int
] = {}  # how many octets lead from an IPHC word to UDP's octet, by word; 0 without one


def shape_of(octets: bytes) -> Shape | None:
    """Return the shape of a frame; None where it has no usual one, or was not read often enough."""
    start = _starts.get(octets[:_CONTROL])
    if start is None:
        return None
    word = octets[start : start + _WORD]
    behind = _udp.get(word)
    if behind is None:
        return None
    key = octets[:_CONTROL] + word
    if behind:
        key += octets[start + behind : start + behind + 1]
    return _SHAPES.functions.get(key)


def was_read(octets: bytes, start: int, udp: int | None) -> None:
    """Count a frame that was read: its payload starts at ``start`` with IPHC, UDP's octet stands at ``udp``."""
    word = octets[start : start + _WORD]
    key = octets[:_CONTROL] + word
    if udp is not None:
        key += octets[udp : udp + 1]
    if key not in _SHAPES.functions and _SHAPES.sighted(key) is not None:
        for known in (_starts, _udp):
            if len(known) >= MOST:
                known.clear()
        _starts[octets[:_CONTROL]] = start
        _udp[word] = 0 if udp is None else udp - start


def _made(key: bytes) -> Shape | None:
    """Return the shape of frames with this frame control, IPHC word and, where there is one, UDP's octet."""
    form = shape(*key[:_CONTROL])
    if form.frame_type is not FrameType.DATA or form.octets != _CONTROL:
        return None
    source = FunctionSource("headers", "MAC", 0)
    leading = mac.take_up(source, form)
    start, word = source.octets, int.from_bytes(key[_CONTROL : _CONTROL + _WORD], iphc.HEADER.order)
    links = (leading["source"], leading["destination"])
    compressed = iphc.take_up(source, word, links, "known")
    udp, transport = None, "None"
    if len(key) > _CONTROL + _WORD:
        udp = source.octets
        transport = nhc.take_up(source, key[-1])
    header = source.value(mac.Mac, **leading)
    read = source.headers("fcs_ok, known", header, compressed, transport)
    return Shape(read, start, udp, source.octets)


_SHAPES: Functions[bytes, Shape] = Functions(_made)
