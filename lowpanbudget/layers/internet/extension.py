"""IPv6 extension headers read and written with their options (RFC 8200 section 4).

|  Next Header  |  Hdr Ext Len  |   options, or what the routing type says
"""

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Malformed, RequestError, WireError, repeated
from lowpanbudget.fields import (
    Head,
    Header,
    Layout,
    OctetString,
    Tagged,
    UnknownOption,
    Zeros,
    bits,
    layout_of,
    part,
    read_head,
    stated_by,
    structure,
    within,
)
from lowpanbudget.layers.internet import chain, ipv6, rpi, source_route
from lowpanbudget.layers.internet.chain import FragmentHeader
from lowpanbudget.layers.internet.padding import Pad1, PadN
from lowpanbudget.layers.internet.rpi import RplOption
from lowpanbudget.layers.internet.source_route import SourceRoute
from lowpanbudget.values import dataclass

OPTIONS_CITE = rfc(8200, "4.2")
UNIT = chain.UNIT

ACTIONS = (  # the two high bits of an option's type, for who does not know it
    "skipped",
    "discards the packet",
    "discards the packet and reports it",
    "discards the packet and reports it unless it was multicast",
)


def _unknown(number: int) -> str:
    return f"option {number:#04x}, if not known: {ACTIONS[number >> 6]}"


OPTIONS = Tagged(
    "IPv6 option",
    OPTIONS_CITE,
    {
        0: Layout("Pad1", OPTIONS_CITE, value=Pad1),
        1: Layout("PadN", OPTIONS_CITE, Zeros("octets", "padding", head=2), value=PadN),
        rpi.OLD: RplOption,
        rpi.NEW: RplOption,
    },
    single=0,
    meaning=_unknown,
    about="Options of IPv6 extension headers.",
)
AnyOption = Pad1 | PadN | RplOption | UnknownOption


CITES = {
    ipv6.HOP_BY_HOP: rfc(8200, "4.3"),
    ipv6.ROUTING: rfc(8200, "4.4"),
    ipv6.DESTINATION: rfc(8200, "4.6"),
    ipv6.MOBILITY: rfc(6275, "6.1"),
}
_HEADS = {
    kind: Header(ipv6.NEXT_HEADERS[kind], cite, ipv6.EXTENSION.fields)
    for kind, cite in CITES.items()
}


@stated_by(lambda header: _HEADS[header.kind])
@dataclass(frozen=True, slots=True)
class OptionsHeader:
    """A hop-by-hop or destination options header (``kind`` 0 or 60); padding is among the options.

    Sources: RFC 8200 sections 4.2, 4.3 and 4.6.
    """

    kind: int
    next_header: int
    options: tuple[AnyOption, ...]


@stated_by(lambda header: _HEADS[header.kind])
@dataclass(frozen=True, slots=True)
class OtherHeader:
    """An extension header that is not read further (mobility, RFC 6275 section 6.1): its octets after the length."""

    kind: int
    next_header: int
    data: bytes


@structure(ipv6.NEXT_HEADERS[ipv6.ROUTING], CITES[ipv6.ROUTING])
class RoutingHeader:
    """A routing header of a type other than RFC 6554's: its type-specific octets as they are."""

    next_header: int = bits(8, ipv6.next_header_name)
    hdr_ext_len = bits(8, ipv6.octets_in_all)
    routing_type: int = bits(8)
    segments_left: int = bits(8)
    data: bytes = part(OctetString, "by type")


AnyHeader = OptionsHeader | SourceRoute | RoutingHeader | FragmentHeader | OtherHeader

_ROUTING, _FRAGMENT = layout_of(RoutingHeader), layout_of(FragmentHeader)


def decode(reader: Reader, kind: int) -> AnyHeader:
    """Return the extension header of this kind (its next-header number) that comes next.

    Raises ``WireError``; ``RequestError`` for a number that is no extension header.
    """
    if kind == ipv6.FRAGMENT:
        return _FRAGMENT.read(reader)
    if kind not in _HEADS:
        raise RequestError(f"{ipv6.next_header_name(kind)} is no extension header read here")
    start = reader.pos
    reader.layer = ipv6.next_header_name(kind)
    reader.need(UNIT, f"the {reader.layer} header", CITES[kind])
    head = chain.ROUTING.values_at(reader.ahead(UNIT))
    size = UNIT * head["hdr ext len"] + UNIT
    reader.need(size, f"the {reader.layer} header", CITES[kind])
    with within(reader, start + size):
        if kind == ipv6.ROUTING:
            if head["routing type"] == source_route.TYPE:
                return source_route.decode(reader)
            return _ROUTING.read(reader)
        next_header = _HEADS[kind].read(reader)[0]["next header"]
        if kind == ipv6.MOBILITY:
            return OtherHeader(
                kind, next_header, reader.rest("data", "not read further", CITES[kind])
            )
        return OptionsHeader(kind, next_header, OPTIONS.read(reader))


def encode(writer: Writer, header: AnyHeader) -> None:
    """Append an extension header; an options header is padded to a multiple of 8 octets with Pad1 or PadN.

    Raises ``RequestError`` for one that its format cannot hold.
    """
    if isinstance(header, SourceRoute):
        source_route.encode(writer, header)
    elif isinstance(header, FragmentHeader):
        _FRAGMENT.write(writer, header)
    elif isinstance(header, RoutingHeader):
        if header.routing_type == source_route.TYPE:
            raise RequestError("routing type 3 is a SourceRoute", cite=source_route.CITE)
        _ROUTING.write(writer, header, hdr_ext_len=_units(4 + len(header.data)))
    elif header.kind not in _HEADS or header.kind == ipv6.ROUTING:
        raise RequestError(f"{repeated(header.kind)} is no options header", cite=OPTIONS_CITE)
    else:
        body = Writer(ipv6.next_header_name(header.kind))
        if isinstance(header, OtherHeader):
            body.octets(header.data, "data", "not read further", CITES[header.kind])
        else:
            OPTIONS.write(body, header.options)
            OPTIONS.write(body, padding(-(2 + body.pos) % UNIT))
        _HEADS[header.kind].write(
            writer, {"next header": header.next_header, "hdr ext len": _units(2 + body.pos)}
        )
        writer.append(body)


def padding(octets: int) -> tuple[Pad1 | PadN, ...]:
    """Return the option that fills so many octets: "if more than one octet ... PadN ... should be used"."""
    if not octets:
        return ()
    return (Pad1(),) if octets == 1 else (PadN(octets),)


def _units(size: int) -> int:
    if size % UNIT or size > UNIT * 256:
        raise RequestError(
            f"an extension header of {size} octets is no multiple of 8 up to 2048",
            cite=rfc(8200, "4"),
        )
    return size // UNIT - 1


@dataclass(frozen=True, slots=True)
class Walked:
    """What follows extension headers: ``kind`` is its next-header number, ``ends`` its pseudo-header.

    ``whole`` is False behind a fragment header that is not alone: what follows
    is no complete message. ``fault``: there are more of them than are followed.
    """

    kind: int
    ends: chain.PseudoHeader
    whole: bool = True
    fault: WireError | None = None


def walk(reader: Reader, heads: list[Head], kind: int, ends: chain.PseudoHeader) -> Walked:
    """Append all extension headers that come next to ``heads``, leaving their spans, up to the first other header.

    ``kind`` is the next-header number of the header before, ``ends`` the pseudo-header behind it. Stops behind the
    header of an IP fragment that is not the first, and behind ``ipv6.DEEPEST`` headers. Raises ``WireError``.
    """
    whole, most = True, len(heads) + ipv6.DEEPEST
    while kind in ipv6.EXTENSIONS:
        if len(heads) == most:
            fault = Malformed(
                f"more than {ipv6.DEEPEST} extension headers", offset=reader.pos,
                layer=ipv6.next_header_name(kind), cite=rfc(8200, "4"),
            ).bare()  # fmt: skip
            return Walked(kind, ends, whole, fault)
        start = reader.pos
        header = read_head(heads, reader, decode, kind)
        kind = header.next_header
        if isinstance(header, SourceRoute):
            ends = ends.through(header)
        elif isinstance(header, RoutingHeader):
            ends = ends.behind(reader.passed(start))
        elif isinstance(header, FragmentHeader):
            whole = whole and not header.offset and not header.more
            if header.offset:
                break
    return Walked(kind, ends, whole)
