"""What an application's octets mean, where their layout is known: its fields become spans of the frame like all others.

Nothing here knows a message; who does gives a layout that reads itself.
"""

from collections.abc import Mapping
from ipaddress import IPv6Address
from typing import Any, Protocol

from lowpanbudget.arguments import number_within
from lowpanbudget.bits import Nature, Reader, Span
from lowpanbudget.env import address
from lowpanbudget.errors import RequestError, WireError, repeated
from lowpanbudget.fields import Packet
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.dtls.record import DtlsRecord, Unified
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.values import FrozenDict


class ContentLayout(Protocol):
    """The layout of what an application sends: reading it leaves a span for every field."""

    def read(self, reader: Reader) -> Any:
        """Return the values of the octets that are left; raises ``WireError``."""


Flow = tuple[IPv6Address, IPv6Address, int]  # source, destination, destination port
Layouts = Mapping[int | Flow, ContentLayout]


def layouts_of(table: object) -> Layouts:
    """Return the layouts of applications by port or flow, addresses as such; ``RequestError`` names a wrong entry."""
    if not isinstance(table, Mapping):
        raise RequestError(f"layouts is a mapping, not {type(table).__name__}", hint=_LAYOUTS)
    layouts: dict[int | Flow, ContentLayout] = {}
    for key, layout in table.items():
        port = key[-1] if isinstance(key, tuple) and len(key) == len(_FLOW) else key
        number = number_within(port, 16)
        if number is None or not callable(getattr(layout, "read", None)):
            raise RequestError(
                f"layouts has {repeated(key)} for {repeated(layout):.60}", hint=_LAYOUTS
            )
        if isinstance(key, tuple):
            key = (address(key[0], "source"), address(key[1], "destination"), number)  # noqa: PLW2901
        layouts[key if isinstance(key, tuple) else number] = layout
    return FrozenDict(layouts)


_FLOW = ("source address", "destination address", "destination port")
_LAYOUTS = (
    f"Give what reads octets by UDP port, or by ({', '.join(_FLOW)}), such as "
    "layouts={61616: design.message(name)}"
)


def with_layouts(packet: Packet, layouts: Layouts) -> tuple[Span, ...]:
    """Return a packet's spans, those of an application's octets by the layout of its flow, else of one of its ports."""
    header, segment = packet.find(Ipv6), packet.find(Udp)
    if header is None or segment is None:
        return packet.spans
    to = segment.destination_port
    for key in ((header.source, header.destination, to), to, segment.source_port):
        if key in layouts:
            return with_contents(packet, layouts[key])
    return packet.spans


def with_contents(packet: Packet, layout: ContentLayout) -> tuple[Span, ...]:
    """Return a packet's spans with the fields of this layout in place of the application data.

    They come back as they were where the layout does not fit. The octets must stand in the packet in the clear and in
    one piece.
    """
    spans, at = packet.spans, _begins(packet)
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


def _begins(packet: Packet) -> int:
    """Return the octet where the application's own octets begin, 0 where there are none."""
    last = packet.heads[-1] if packet.heads else None
    if last is not None and isinstance(last.value, DtlsRecord | Unified):
        # what stands in the clear in a record that was opened
        octets = (span.offset_bits // 8 for span in packet.spans if span.nature is Nature.PAYLOAD)
        return next((at for at in octets if last.start < at < last.end), 0)
    if last is None or not isinstance(last.value, Udp | UdpNhc | CoapMessage):
        return 0
    return last.end - len(last.value.payload) if isinstance(last.value, CoapMessage) else last.end
