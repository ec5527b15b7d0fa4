"""LOWPAN_HC1 and HC_UDP, the header compression of RFC 4944 section 10: read only, for old captures.

    | dispatch 0x42 | HC1 encoding  | HC2 encoding, if bit 7 of HC1 is set | hop limit | fields in line, in bits ...

    HC1: | SA | SA | DA | DA | TF | NH | NH | HC2 |         HC_UDP: | SP | DP | L | reserved: 5 |

RFC 6282 replaced it, being "insufficient for most practical uses of IPv6 in 6LoWPANs" (its section 1). Fields in line
are packed to the bit, and "zero bits SHOULD be added as appropriate to align to an octet boundary" behind the last.
"""

from functools import partial
from ipaddress import IPv6Address

from lowpanbudget.bits import Reader, Span
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.env import IID_MASK, Env, interface_identifier, old_interface_identifier
from lowpanbudget.errors import Reserved, WireError
from lowpanbudget.fields import (
    BY_RULE,
    IN_LINE,
    LINE,
    LINK,
    RULE,
    BitReader,
    Bits,
    Choice,
    Header,
    Row,
    SelectedRows,
    Sent,
    Use,
    restored_fields,
    ruled,
    stated_by,
)
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.internet.ipv6 import Ipv6, next_header_name
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL
from lowpanbudget.layers.lowpan.nhc import KNOWN_PORT
from lowpanbudget.values import FrozenDict, dataclass, field, replace

CITE = rfc(4944, "10.1")
UDP_CITE = rfc(4944, "10.2")
PAD_CITE = rfc(4944, "10")
IN_LINE_CITE = rfc(4944, "10.3.1")


def _restore_address(
    octets: bytes, iid: int | None, *, prefix: bool, identifier: bool
) -> IPv6Address:
    whole = int.from_bytes(octets[:8], "big") << 64 if prefix else LINK_LOCAL.value
    if identifier:
        return IPv6Address(whole | int.from_bytes(octets[-8:], "big"))
    if iid is None:
        raise WireError(
            "the interface identifier is elided and the link address it comes from is not known",
            cite=CITE,
            hint="Give the link addresses of the hop: source, destination",
        )
    return IPv6Address(whole | iid & IID_MASK)


_TRAFFIC_CLASS = Bits("traffic class", 8, cite=IN_LINE_CITE)
_FLOW_LABEL = Bits("flow label", 20, cite=IN_LINE_CITE)
_NEXT_HEADER = Bits("next header", 8, next_header_name, cite=IN_LINE_CITE)

_PREFIX = Bits("prefix", 64, "the upper half of the address")
_IDENTIFIER = Bits("interface identifier", 64, "the lower half of the address")


def _address(name: str, label: str) -> Choice:
    return Choice(
        name,
        label,
        2,
        tuple(
            Row(
                code, 8 * (prefix + identifier), needs, IN_LINE_CITE if prefix or identifier else CITE, None,
                partial(_restore_address, prefix=prefix, identifier=identifier),
                (_PREFIX,) * prefix + (_IDENTIFIER,) * identifier,
                uses=(
                    Use(
                        f"{name} address", ("prefix",) * prefix + ("interface identifier",) * identifier,
                        needs, (LINE if prefix else RULE, LINE if identifier else LINK),
                    ),
                ),
            )
            for code, prefix, identifier, needs in (
                (0, True, True, "prefix and identifier in line (PI, II)"),
                (1, True, False, "prefix in line, identifier from the link address (PI, IC)"),
                (2, False, True, "prefix fe80::/64, identifier in line (PC, II)"),
                (3, False, False, "prefix fe80::/64, identifier from the link address (PC, IC)"),
            )
        ),
    )  # fmt: skip


SOURCE = _address("source", "source address form")
DESTINATION = _address("destination", "destination address form")

_NEXT = {0b00: None, 0b01: ipv6.UDP, 0b10: ipv6.ICMPV6, 0b11: ipv6.TCP}
HC1 = Header(
    "HC1",
    CITE,
    (
        Bits("dispatch", 8, "LOWPAN_HC1", fixed=0x42),
        SOURCE,
        DESTINATION,
        Bits("TF", 1, {0: "traffic class and flow label in line", 1: "both are zero"}),
        Bits("NH", 2, {0: "next header in line", 1: "UDP", 2: "ICMPv6", 3: "TCP"}),
        Bits("HC2", 1, {0: "no more compression", 1: "an HC2 octet follows"}),
    ),
)
_SHORT = {0: "port in line, 16 bits", 1: "the last 4 bits of the port in line, after 0xf0b"}
HC_UDP = Header(
    "HC_UDP",
    UDP_CITE,
    (
        Bits("SP", 1, _SHORT),
        Bits("DP", 1, _SHORT),
        Bits("L", 1, {0: "length in line", 1: "length from the IPv6 payload length"}),
        Bits("reserved", 5, "not used", unused=True),
    ),
)


@stated_by(HC1)
@dataclass(frozen=True, slots=True)
class Legacy(SelectedRows):
    """An HC1 header read: the IPv6 header (payload length 0 until it is known) and the UDP header, if compressed.

    ``length_elided`` says that ``udp.length`` is 0 and must be computed; ``old_identifiers`` that an address was
    restored from a 16-bit link address by the rule of RFC 4944 section 6. ``places`` say where fields stood in line, as
    (offset, bits) in bits. ``sent`` are the octets that it was read from, and the header as it was read.
    """

    header: Ipv6
    udp: Udp | None
    length_elided: bool
    old_identifiers: bool
    rows: dict[str, Row] = field(repr=False)
    places: dict[str, tuple[int, int]] = field(repr=False)
    sent: Sent | None = field(default=None, repr=False, compare=False)

    def restored(self, header: Ipv6, length_from: str) -> tuple[Span, ...]:
        """Return the fields of ``header``, the IPv6 header as it was restored from this one."""
        layer, at = ipv6.HEADER.name, self.places["source"][0] // 8
        spans = [ruled(layer, "version", 6, at, f"6 {BY_RULE}", CITE)]
        for name, value, rule in (
            ("traffic class", header.traffic_class, BY_RULE),
            ("flow label", header.flow_label, BY_RULE),
            ("payload length", header.payload_length, length_from),
            ("next header", header.next_header, BY_RULE),
            ("hop limit", header.hop_limit, BY_RULE),
        ):
            spans.append(self._field(layer, name, value, IN_LINE, rule, IN_LINE_CITE))
        for choice, address in ((SOURCE, header.source), (DESTINATION, header.destination)):
            where = self.places[choice.name][0] // 8
            spans += restored_fields(layer, choice, self.rows[choice.name], where, (address,))
        return tuple(spans)

    def restored_udp(self, header: Udp, length_from: str) -> tuple[Span, ...]:
        """Return the fields of ``header``, the UDP header as it was restored from this one."""
        layer = udp.HEADER.name
        spans = []
        for name, value in (
            ("source port", header.source_port),
            ("destination port", header.destination_port),
            ("length", header.length),
            ("checksum", header.checksum),
        ):
            carried = self.places.get(name, (0, 0))[1]
            line = (
                IN_LINE if carried == 16 else f"{KNOWN_PORT >> 4:#x} {BY_RULE}, the rest {IN_LINE}"
            )
            spans.append(self._field(layer, name, value, line, length_from, UDP_CITE))
        return tuple(spans)

    def _field(self, layer: str, name: str, value: int, line: str, rule: str, cite: Cite) -> Span:
        offset, bits = self.places.get(name, (self.places["source"][0], 0))
        return Span(offset, bits, layer, name, value, "", cite, source=line if bits else rule)


def decode(reader: Reader, env: Env) -> Legacy:
    """Return the HC1 header that comes next, with HC_UDP when there is one.

    Raises ``Truncated``; ``Reserved`` for an HC2 octet behind anything but UDP; ``WireError`` when a link address is
    missing.
    """
    start = reader.pos
    values, rows = HC1.read(reader)
    next_header = _NEXT[values["NH"]]
    hc_udp = None
    if values["HC2"]:
        if next_header != ipv6.UDP:
            raise reader.fault(
                Reserved, "an HC2 octet is defined for UDP alone", UDP_CITE, at=start + 1
            )
        hc_udp, _ = HC_UDP.read(reader)
        reader.layer = "HC1"
    places = {"hop limit": (reader.pos * 8, 8)}
    hop_limit = reader.peek("the hop limit", IN_LINE_CITE)
    reader.octets(1, "hop limit", "always in line", IN_LINE_CITE, value=hop_limit)
    places["source"] = (reader.pos * 8, 0)
    source = SOURCE.read(reader, rows["source"], _identifier(env.source, env))
    places["destination"] = (reader.pos * 8, 0)
    destination = DESTINATION.read(reader, rows["destination"], _identifier(env.destination, env))
    before = len(reader.spans)
    bits = BitReader(
        reader.data, at=8 * reader.pos, end=8 * reader.end, layer="HC1", spans=reader.spans
    )
    try:
        traffic_class = flow_label = 0
        if not values["TF"]:
            traffic_class, flow_label = bits.field(_TRAFFIC_CLASS), bits.field(_FLOW_LABEL)
        if next_header is None:
            next_header = bits.field(_NEXT_HEADER)
        header = None if hc_udp is None else _udp(bits, hc_udp)
        if bits.at % 8:
            pad = Bits("pad", -bits.at % 8, cite=PAD_CITE)
            if bits.field(pad):
                reader.unused = (*reader.unused, reader.spans[-1])
    finally:
        reader.pos, reader.layer = bits.at // 8, bits.layer
    places |= {span.name: (span.offset_bits, span.bits) for span in reader.spans[before:]}
    elided = ((env.source, values["source"]), (env.destination, values["destination"]))
    old = any(link is not None and len(link) == 2 and code & 1 for link, code in elided)
    read = Legacy(
        Ipv6(traffic_class, flow_label, 0, next_header, hop_limit, source, destination),
        header,
        hc_udp is not None and bool(hc_udp["L"]),
        old,
        rows,
        FrozenDict(places),
    )
    return replace(read, sent=Sent(reader.passed(start), read))


def _identifier(link: bytes | None, env: Env) -> int | None:
    """Return the identifier of a link address by RFC 4944 section 6: a short one's holds the PAN ID, or zeros."""
    if link is not None and len(link) == 2:
        return old_interface_identifier(env.pan_id or 0, link)
    return interface_identifier(link)


def _udp(bits: BitReader, form: dict[str, int]) -> Udp:
    cite = rfc(4944, "10.3.2")
    bits.layer = "HC_UDP"
    source, destination = (
        KNOWN_PORT + bits.field(Bits(name, 4, cite=cite))
        if form[flag]
        else bits.field(Bits(name, 16, cite=cite))
        for name, flag in (("source port", "SP"), ("destination port", "DP"))
    )
    length = 0 if form["L"] else bits.field(Bits("length", 16, cite=cite))
    return Udp(source, destination, length, bits.field(Bits("checksum", 16, cite=cite)))
