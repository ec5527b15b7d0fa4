"""The usual frame read by one function: MAC header, IPHC and compressed UDP, whose words fix every offset.

The frame control says where the payload starts, the IPHC word where UDP's octet stands: for three words that were read
together often a function is made of the three layouts, and one of the last two for payloads that were sealed or stand
elsewhere. What stands behind them is read as in any frame.
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
    """Headers of these words: ``read`` gives their values and spans, and the places that are free.

    IPHC starts at octet ``start``, UDP's octet stands at ``udp`` (None: the next header is in line), and the headers
    end at ``end``.
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


def headers_of(octets: bytes, at: int) -> Shape | None:
    """Return the shape of the headers from octet ``at`` on; None where they were not read often enough.

    Its ``read`` is of the octets, their end, the link addresses of source and destination and the contexts.
    """
    word = octets[at : at + _WORD]
    behind = _udp.get(word)
    if behind is None:
        return None
    udp = at + behind
    return _HEADERS.functions.get((at, word, octets[udp : udp + 1] if behind else b""))


def headers_were_read(octets: bytes, at: int, udp: int | None) -> None:
    """Count IPHC and UDP headers that were read from an octet on; the latter stands at octet ``udp``."""
    word = octets[at : at + _WORD]
    key = at, word, b"" if udp is None else octets[udp : udp + 1]
    if key not in _HEADERS.functions and _HEADERS.sighted(key) is not None:
        _note(_udp, word, 0 if udp is None else udp - at)


def _note(known: dict[bytes, int], word: bytes, place: int) -> None:
    if len(known) >= MOST:
        known.clear()
    known[word] = place


def was_read(octets: bytes, start: int, udp: int | None) -> None:
    """Count a frame that was read: its payload starts at ``start`` with IPHC, UDP's octet stands at ``udp``."""
    word = octets[start : start + _WORD]
    key = octets[:_CONTROL] + word
    if udp is not None:
        key += octets[udp : udp + 1]
    if key not in _SHAPES.functions and _SHAPES.sighted(key) is not None:
        _note(_starts, octets[:_CONTROL], start)
        _note(_udp, word, 0 if udp is None else udp - start)


def _made(key: bytes) -> Shape | None:
    """Return the shape of frames with this frame control, IPHC word and, where there is one, UDP's octet.

    What is forbidden about the addresses is noticed in every frame: such frames have none.
    """
    form = shape(*key[:_CONTROL])
    if (
        form.frame_type is not FrameType.DATA
        or form.octets != _CONTROL
        or form.flaw
        or form.reserved
    ):
        return None
    source = FunctionSource("headers", "MAC", 0)
    leading = mac.take_up(source, form)
    start, word = source.octets, key[_CONTROL : _CONTROL + _WORD]
    links = (leading["source"], leading["destination"])
    compressed, transport, udp = _headers(source, word, key[_CONTROL + _WORD :], links)
    header = source.value(mac.Mac, **leading)
    read = source.headers("fcs_ok, known", header, compressed, transport)
    return Shape(read, start, udp, source.octets)


def _headers_made(key: tuple[int, bytes, bytes]) -> Shape:
    """Return the shape of the headers of an IPHC word at an octet, with UDP's octet where there is one."""
    at, word, octet = key
    source = FunctionSource("headers", "IPHC", at)
    compressed, transport, udp = _headers(source, word, octet, ("source", "destination"))
    read = source.headers("source, destination, known", compressed, transport)
    return Shape(read, at, None if udp is None else at + udp, at + source.octets)


def _headers(
    source: FunctionSource, word: bytes, octet: bytes, links: tuple[str, str]
) -> tuple[str, str, int | None]:
    """Take up an IPHC header, and a UDP header of this octet where there is one; return where that stands, too."""
    compressed = iphc.take_up(source, int.from_bytes(word, iphc.HEADER.order), links, "known")
    udp = source.octets if octet else None
    return compressed, nhc.take_up(source, octet[0]) if octet else "None", udp


_SHAPES: Functions[bytes, Shape] = Functions(_made)
_HEADERS: Functions[tuple[int, bytes, bytes], Shape] = Functions(_headers_made)
