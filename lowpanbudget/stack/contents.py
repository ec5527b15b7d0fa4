"""What an application's octets mean, where their layout is known: its fields become spans of the frame like all others.

Nothing here knows a message; who does gives a layout that reads itself.
"""

from typing import Any, Protocol

from lowpanbudget.bits import Reader, Span
from lowpanbudget.errors import WireError
from lowpanbudget.fields import Head, Packet
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.lowpan.nhc import UdpNhc


class ContentLayout(Protocol):
    """The layout of what an application sends: reading it leaves a span for every field."""

    def read(self, reader: Reader) -> Any:
        """Return the values of the octets that are left; raises ``WireError``."""


def with_contents(packet: Packet, layout: ContentLayout) -> tuple[Span, ...]:
    """Return a packet's spans with the fields of this layout in place of the application data.

    They come back as they were where the layout does not fit. The octets must stand in the packet in the clear and in
    one piece.
    """
    spans, at = packet.spans, _begins(packet.heads)
    place = next(
        (index for index, span in enumerate(spans) if span.offset_bits == 8 * at), len(spans)
    )
    if at == 0 or place == len(spans) or not isinstance(spans[place].value, bytes):
        return spans
    octets = spans[place].value
    if spans[place].bits != 8 * len(octets):
        return spans
    reader = Reader(bytes(at) + octets, at)
    try:
        layout.read(reader)
    except WireError:
        return spans
    if reader.left:
        return spans
    return (*spans[:place], *reader.spans, *spans[place + 1 :])


def _begins(heads: tuple[Head, ...]) -> int:
    """Return the octet where the application's own octets begin, 0 where there are none."""
    last = heads[-1] if heads else None
    if last is None or not isinstance(last.value, Udp | UdpNhc | CoapMessage):
        return 0
    return last.end - len(last.value.payload) if isinstance(last.value, CoapMessage) else last.end
