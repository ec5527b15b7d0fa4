"""What link types wrap around a frame or a datagram: one table.

195, 230   an IEEE 802.15.4 frame, with or without FCS
215        the same with FCS, behind what its PHY sends first: 4 octets of preamble, delimiter, length (from memory)
283        the same behind type-length-value elements that tell how it was received (``tap``)
1          Ethernet: 0xa0ed carries a 6LoWPAN payload (RFC 7973), 0x809a an IEEE 802.15.4 frame, 0x86dd IPv6
229, 101   an IPv6 datagram
"""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.capture.files import tap
from lowpanbudget.capture.files.record import Record
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import NotSupported, Truncated, WireError, repeated
from lowpanbudget.fields import Bits, Header
from lowpanbudget.layers.internet import ipv6

FRAME, LOWPAN, IPV6, OTHER = "IEEE 802.15.4 frame", "6LoWPAN payload", "IPv6 datagram", "other"
REGISTRY = Cite("link-type registry")
ETHERTYPE_LOWPAN, ETHERTYPE_FRAME, ETHERTYPE_IPV6 = 0xA0ED, 0x809A, 0x86DD
FRAME_TYPE, IPV6_TYPE = 195, 229
_SLOT = "absolute_slot_number"
ETHERNET = Header(  # an Ethernet II header (from memory)
    "Ethernet",
    Cite("IEEE 802.3"),
    (Bits("destination", 48), Bits("source", 48), Bits("type", 16)),
)
PHY = Header(
    "PHY header",
    REGISTRY,
    (Bits("preamble", 32), Bits("start of frame delimiter", 8), Bits("frame length", 8)),
)
_VERSION = Header("IP", REGISTRY, (Bits("version", 4), Bits("by version", 4)))
_NOTHING: Mapping[str, Any] = {}


class RecordBody(NamedTuple):
    """What a record carries.

    ``kind`` is one of ``FRAME``, ``LOWPAN``, ``IPV6`` and ``OTHER``; ``octets`` are without what the link type wraps
    around them, ``start`` is where they stand in the record. ``fcs`` is the length of the FCS that the link type
    claims, None where it claims nothing. ``source`` and ``destination`` are Ethernet's. ``fields`` are named values
    that tell how the frame was received. ``fault`` says why there is nothing to read, or no more.
    """

    kind: str
    octets: bytes
    start: int = 0
    fcs: int | None = None
    source: bytes | None = None
    destination: bytes | None = None
    fields: Mapping[str, Any] = _NOTHING
    fault: WireError | None = None

    @classmethod
    def in_slot(cls, octets: bytes, asn: int) -> "RecordBody":
        """Return a frame that was received in a slot."""
        return cls(FRAME, octets, fields={_SLOT: asn})

    @property
    def asn(self) -> int | None:
        """Return the absolute slot number that the frame was received in, where it is told."""
        return self.fields.get(_SLOT)


_new = tuple.__new__
_BARE = (None, None, _NOTHING, None)  # what else there is to a record that is a frame alone


def _with_fcs(octets: bytes) -> RecordBody:
    return _new(RecordBody, (FRAME, octets, 0, 2, *_BARE))


def _without_fcs(octets: bytes) -> RecordBody:
    return _new(RecordBody, (FRAME, octets, 0, 0, *_BARE))


def _tap(octets: bytes) -> RecordBody:
    try:
        fields, start = tap.decode(octets)
    except WireError as error:
        return RecordBody(OTHER, octets, fault=error.bare())
    return RecordBody(FRAME, octets[start:], start, fields.get("fcs_octets"), fields=fields)


def _behind_phy(octets: bytes) -> RecordBody:
    if len(octets) < PHY.octets:
        text = f"what the PHY sends first needs {PHY.octets} octets, {len(octets)} are there"
        cut = Truncated(text, layer=PHY.name, cite=PHY.cite).bare()
        return RecordBody(OTHER, octets, fault=cut)
    return RecordBody(FRAME, octets[PHY.octets :], PHY.octets, 2)


def _ipv6(octets: bytes) -> RecordBody:
    if octets:
        version = _VERSION.read(Reader(octets))[0]["version"]
        if version != 6:
            text = f"IP version {version}, not 6"
            return RecordBody(OTHER, octets, fault=NotSupported(text, layer="IP", cite=REGISTRY))
    if len(octets) < ipv6.OCTETS:
        text = f"an IPv6 header needs {ipv6.OCTETS} octets, {len(octets)} are there"
        return RecordBody(OTHER, octets, fault=Truncated(text, layer="IPv6", cite=rfc(8200, "3")))
    return RecordBody(IPV6, octets)


def _ethernet(octets: bytes) -> RecordBody:
    reader = Reader(octets)
    if reader.left < ETHERNET.octets:
        cut = Truncated(
            f"an Ethernet header needs {ETHERNET.octets} octets, {len(octets)} are there",
            layer=ETHERNET.name,
            cite=ETHERNET.cite,
        )
        return RecordBody(OTHER, octets, fault=cut)
    values, _ = ETHERNET.read(reader)
    source, destination = (values[name].to_bytes(6, "big") for name in ("source", "destination"))
    kind, start = values["type"], reader.pos
    body = RecordBody(OTHER, octets[start:], start, None, source, destination)
    if kind == ETHERTYPE_LOWPAN:
        return body._replace(kind=LOWPAN)
    if kind == ETHERTYPE_FRAME:
        return body._replace(kind=FRAME)
    if kind == ETHERTYPE_IPV6:
        # Ethernet fills short frames up: what is behind the datagram's own length is filling
        inner = _ipv6(body.octets)
        if inner.kind == IPV6:
            length = ipv6.OCTETS + ipv6.decode(reader).payload_length
            inner = _ipv6(body.octets[:length])
        return body._replace(kind=inner.kind, octets=inner.octets, fault=inner.fault)
    text = f"EtherType {kind:#06x} carries neither IEEE 802.15.4 nor IPv6"
    fault = NotSupported(text, offset=12, layer=ETHERNET.name, cite=rfc(7973, "2"))
    return body._replace(fault=fault)


class LinkType(NamedTuple):
    """A link type: its name and how its records are read.

    ``bare_fcs`` are the octets of FCS that one claims which wraps nothing around a frame.
    """

    name: str
    read: Callable[[bytes], RecordBody]
    bare_fcs: int | None = None


LINK_TYPES: dict[int, LinkType] = {
    1: LinkType("Ethernet", _ethernet),
    101: LinkType("IP", _ipv6),
    FRAME_TYPE: LinkType("IEEE 802.15.4 with FCS", _with_fcs, 2),
    IPV6_TYPE: LinkType("IPv6", _ipv6),
    215: LinkType("IEEE 802.15.4 with FCS behind a PHY header", _behind_phy),
    230: LinkType("IEEE 802.15.4 without FCS", _without_fcs, 0),
    283: LinkType("IEEE 802.15.4 with reception elements", _tap),
}


def name_of(number: int) -> str:
    """Return the name of a link type."""
    known = LINK_TYPES.get(number)
    return known.name if known else f"link type {number}"


def unwrap(record: Record) -> RecordBody:
    """Return what a record carries; one of an unknown link type is ``OTHER`` with a fault."""
    known = LINK_TYPES.get(record.link_type)
    if known is not None:
        return known.read(record.octets)
    numbers = ", ".join(map(str, LINK_TYPES))
    fault = NotSupported(
        f"link type {repeated(record.link_type)} is not read",
        cite=REGISTRY,
        hint=f"Link types that are read are {numbers}",
    )
    return RecordBody(OTHER, record.octets, fault=fault)
