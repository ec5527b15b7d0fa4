"""What is told of a frame beyond its own octets: the shortest form of its datagram, and what restored values mean."""

from collections.abc import Iterable
from typing import Any

from lowpanbudget.arguments import whole_number
from lowpanbudget.bits import Nature, Span
from lowpanbudget.capture.follow.flows import upper_of
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.env import address
from lowpanbudget.errors import RequestError, plural
from lowpanbudget.fields import Bits, Restored
from lowpanbudget.layers.internet import ipv6, rpi, udp
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.ghc_headers import CodeSize, code_size
from lowpanbudget.stack.comparison import Comparison, compare, is_generic
from lowpanbudget.stack.contents import with_contents
from lowpanbudget.stack.decoder import decode_datagram
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.uncompressed import restored

# fields that have words for each of their values
_WORDS = {
    part.name: part.says
    for part in ipv6.HEADER.fields
    if isinstance(part, Bits) and callable(part.meaning)
}


def restored_headers(sighting: Sighting) -> tuple[Restored, ...]:
    """Return the headers that were restored from a frame, or from the frame that brought those of its datagram."""
    frame = sighting.headers or sighting.as_frame
    return restored(frame, sighting.decoder.contexts, sighting.completed.datagram)


def coded_contents(sighting: Sighting) -> tuple[Span, ...]:
    """Return the spans of what the headers of a datagram carry where that came as byte code (RFC 7400).

    They count octets of the datagram. None where it stands in the frame as it is.
    """
    headers = sighting.headers
    if headers is None or not any(map(is_generic, headers.layers)):
        return ()
    return _contents_of(sighting.completed)


def joined_contents(sighting: Sighting) -> tuple[Span, ...]:
    """Return the spans of what the headers of a datagram carry where several frames bring it together.

    They count octets of the datagram. None where nothing in it can be read, and where it came as byte code.
    """
    if len(sighting.completed.parts) < 2 or coded_contents(sighting):
        return ()
    spans = _contents_of(sighting.completed)
    return spans if any(span.nature is Nature.HEADER for span in spans) else ()


def _contents_of(whole: Sighting) -> tuple[Span, ...]:
    contents = whole.contents
    if contents is None:
        return ()
    message = None if whole.matched is None else whole.matched.message
    spans = contents.spans if message is None else with_contents(contents.packet, message)
    return _carried_by_headers(contents.octets, spans)


def coded_in(frame: Frame) -> tuple[Span, ...]:
    """Return the same of a frame that came without a capture and holds a whole datagram."""
    if frame.datagram is None or not any(map(is_generic, frame.layers)):
        return ()
    contents = decode_datagram(frame.datagram.octets)
    return _carried_by_headers(contents.octets, contents.spans)


def payload_code(frame: Frame | None) -> CodeSize:
    """Return how much byte code stands for what the headers in a frame carry, and for how much."""
    return code_size(() if frame is None else frame.spans, Nature.PAYLOAD)


def _carried_by_headers(datagram: bytes, spans: Iterable[Span]) -> tuple[Span, ...]:
    place = upper_of(datagram)
    if place is None:
        return ()
    at = place.offset + (udp.OCTETS if place.kind == ipv6.UDP else 0)
    return tuple(span for span in spans if span.offset_bits >= 8 * at)


def title_of(frame: Frame) -> str:
    """Return whether octets were a frame or another record of a capture, and their number."""
    what = "Frame" if frame.mac is not None or frame.fault is not None else "Record"
    return f"{what} of {plural(len(frame.octets), 'octet')}"


def words_of(span: Span) -> str:
    """Return what the value of a restored field is called; nothing for one that is but a number."""
    words = _WORDS.get(span.name)
    value: Any = span.value
    return "" if words is None or not isinstance(value, int) else words(value)


def shortest_form(
    frame: Frame, *, root: object = None, rpi_type: int = rpi.OLD, largest: int | None = None
) -> Comparison | None:
    """Return the datagram that a decoded frame carries in its shortest legal form, beside the form that was sent.

    The same link addresses and contexts hold; ``root`` and ``rpi_type`` as in ``Env``; ``largest`` is the octets of the
    largest frame, else 127, or 2047 where the frame is longer or has an FCS of 4 octets. None for a frame that carries
    no whole datagram. Raises ``RequestError`` for a datagram that no form can carry, where only a context that
    compresses no more made the form that was sent as short, and for what is no frame.
    """
    if not isinstance(frame, Frame):
        raise RequestError(f"a frame from decode_frame is needed, not {type(frame).__name__}")
    if largest is not None:
        largest = whole_number(largest, "largest", 1)
    if frame.datagram is None or frame.payload is None or frame.fault is not None:
        return None
    return compare(
        frame, frame.contexts, frame.datagram.octets, root=None if root is None else address(root, "root"),
        rpi_type=rpi_type, largest=largest,
    )  # fmt: skip


def shortest(sighting: Sighting, largest: int | None) -> Comparison | None:
    """Return the shortest form of the datagram that a frame brings; None for what brings none.

    ``largest`` is the octets of the largest frame, None where no design tells them. Raises ``RequestError`` for a
    datagram that no form can carry.
    """
    whole, frame = sighting.completed, sighting.headers
    if whole.datagram is None or frame is None or frame.payload is None or frame.fault is not None:
        return None
    if _is_recoverable(sighting.as_frame):
        return None  # its fragments are cut from the compressed form
    decoder = sighting.decoder
    pieces = [part.octets for part in whole.parts] if len(whole.parts) > 1 else []
    return compare(
        frame, decoder.contexts, whole.datagram, root=decoder.root, rpi_type=decoder.rpi_type,
        pieces=pieces, largest=largest, missing_fcs=sighting.missing_fcs,
    )  # fmt: skip


def _is_recoverable(frame: Frame) -> bool:
    return frame.fragment is not None and not isinstance(frame.fragment, Fragment)
