"""What stands behind the compressed headers: extension headers as they are, ICMPv6, UDP, CoAP, DTLS.

Reading further only explains: the datagram is the same whether or not its contents can be read. So a fault in here is
kept for a notice, and the octets become one span again.
"""

from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

from lowpanbudget.bits import Nature, Place, Reader, Span
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import Malformed, WireError
from lowpanbudget.fields import Head, read_head
from lowpanbudget.layers.internet import chain, extension, ipv6, udp
from lowpanbudget.layers.internet.chain import PseudoHeader
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.dtls import record as dtls
from lowpanbudget.values import dataclass, field

if TYPE_CHECKING:
    from lowpanbudget.layers.internet.icmpv6 import Icmpv6

About = TypeVar("About")  # what a reading hangs on, beside the octets
COAP_PORT, DTLS_PORT = 5683, 5684  # RFC 7252 section 12.6 and 12.7
APPLICATION_PORTS = {COAP_PORT, DTLS_PORT}
COAP, DTLS = "CoAP", "DTLS"
APPLICATION_DATA = "application data"
PART = "part of a datagram"
_NESTED, _LENGTH = rfc(2473, "4.1"), rfc(8200, "8.1")
_new, _PAYLOAD = tuple.__new__, Nature.PAYLOAD
WITH_HEADERS = {*ipv6.EXTENSIONS, ipv6.IPV6}  # headers that others may stand behind
_READ = {*WITH_HEADERS, ipv6.ICMPV6, ipv6.UDP}


class WrongChecksum(NamedTuple):
    """A wrong checksum: of which header, as it was sent, the right one, between whom, and the octets that it covers."""

    kind: int
    sent: int
    right: int
    ends: PseudoHeader
    segment: bytes


class ReadingRemark(NamedTuple):
    """What reading noticed: the name, the words, the section and the place of a notice."""

    name: str
    text: str
    cite: Cite | None
    offset: int


def unused_remark(span: Span) -> ReadingRemark:
    """Return what is said of reserved bits that are set."""
    text = f"{span.layer}: {span.name} is {span.value:#x}, and senders must leave it 0"
    return ReadingRemark("reserved-bits-set", text, span.cite, span.offset_bits // 8)


@dataclass(slots=True)
class Upper:
    """The heads read, what the octets behind them are, the fault that ended reading, and the last checksum if wrong.

    ``remark`` says that the length of a UDP header is another.
    """

    rest: str
    heads: list[Head] = field(default_factory=list)
    fault: WireError | None = None
    wrong: WrongChecksum | None = None
    remark: ReadingRemark | None = None

    @property
    def layers(self) -> list[Any]:
        """Return the headers read, outermost first."""
        return [head.value for head in self.heads]


def read_upper(reader: Reader, kind: int, ends: PseudoHeader) -> Upper:
    """Return the heads of all that is left, which starts with a header of ``kind``; leaves spans for all of it.

    ``ends`` is the pseudo-header that holds there.
    """
    upper = Upper(ipv6.next_header_name(kind))
    if kind == ipv6.ICMPV6:
        _kept(reader, upper, _icmpv6, ends)
    elif kind in _READ:
        _kept(reader, upper, _headers, (kind, ends))
    leave_payload(reader, upper.rest)
    return upper


def read_begun(reader: Reader, kind: int, ends: PseudoHeader) -> list[Head]:
    """Return the heads that begin a part of a datagram as they are: extension headers, and UDP, where all is there."""
    upper = Upper(PART)
    if kind in ipv6.EXTENSIONS or kind == ipv6.UDP:
        _kept(reader, upper, _begun, (kind, ends))
    leave_payload(reader, PART)
    return upper.heads


def _begun(reader: Reader, upper: Upper, first: tuple[int, PseudoHeader]) -> None:
    walked = extension.walk(reader, upper.heads, *first)
    if walked.whole and walked.kind == ipv6.UDP:
        read_head(upper.heads, reader, udp.decode)


def registered(ports: tuple[int, int]) -> str:
    """Return what the registered ones among two ports say that UDP carries: CoAP, DTLS, or nothing."""
    return COAP if COAP_PORT in ports else DTLS if DTLS_PORT in ports else ""


def read_application(reader: Reader, what: str) -> Upper:
    """Return the heads of a UDP payload that fills what is left, and is CoAP, DTLS, or anything."""
    upper = Upper(APPLICATION_DATA)
    if what:
        _kept(reader, upper, _application, what)
    leave_payload(reader, upper.rest)
    return upper


def explain_rest(datagram: bytes, covers: int) -> list[Span]:
    """Return spans for all octets of a datagram from ``covers`` on, which compressed headers end at.

    Offsets count from there. The same spans as reading the octets on the air leaves.
    """
    reader = Reader(datagram, covers)
    meaning = "what the headers carry"
    try:
        for place in chain.walk(datagram):
            if place.offset == covers:
                ends = PseudoHeader(place.source, place.destination, place.hidden)
                read_upper(reader, place.kind, ends)
                break
            if place.kind == ipv6.FRAGMENT and chain.is_cut(datagram[place.offset :]):
                meaning = PART
                break
            if place.kind == ipv6.UDP and place.offset + udp.OCTETS == covers:
                header = udp.decode(Reader(datagram, place.offset))
                ports = header.source_port, header.destination_port
                read_application(reader, registered(ports))
                break
    except WireError:
        pass  # a chain that cannot be walked is explained as one run of octets
    leave_payload(reader, meaning)
    return [span._replace(offset_bits=span.offset_bits - covers * 8) for span in reader.spans]


def _kept(
    reader: Reader, upper: Upper, read: Callable[[Reader, Upper, About], None], about: About
) -> None:
    """Run ``read``; a fault is kept in ``upper``, and the reader put back where the last complete header ended."""
    start, rest, known = reader.pos, upper.rest, len(upper.heads)
    try:
        read(reader, upper, about)
    except WireError as error:
        if len(upper.heads) > known:
            last = upper.heads[-1]
            start, rest = last.end, ipv6.next_header_name(last.value.next_header)
        upper.fault, upper.rest = error.bare(), rest
        reader.pos = start
        while reader.spans and reader.spans[-1].offset_bits >= 8 * start:
            reader.spans.pop()
        while reader.free and reader.free[-1].start >= start:
            reader.free.pop()
        reader.unused = tuple(span for span in reader.unused if span.offset_bits < 8 * start)


def leave_payload(reader: Reader, meaning: str) -> None:
    """Take all that is left as a payload that nothing depends on."""
    at, end = reader.pos, reader.end
    if at < end:
        # by the tuples' own constructors: every frame ends here
        reader.layer, reader.pos = "payload", end
        octets = reader.data[at:end]
        told = (
            at * 8, (end - at) * 8, "payload", "payload", octets, meaning,
            None, "", "big", "", False, _PAYLOAD,
        )  # fmt: skip
        reader.spans.append(_new(Span, told))
        reader.free.append(_new(Place, (at, end, "big", True)))


def _headers(reader: Reader, upper: Upper, first: tuple[int, PseudoHeader]) -> None:
    kind, ends = first
    tunnels = 0
    while upper.fault is None:
        if kind in ipv6.EXTENSIONS:
            walked = extension.walk(reader, upper.heads, kind, ends)
            kind, ends, upper.fault = walked.kind, walked.ends, walked.fault
            if not walked.whole:
                upper.rest = PART
                return
        if kind != ipv6.IPV6:
            break
        if tunnels == ipv6.DEEPEST:
            upper.fault = reader.fault(
                Malformed, f"more than {ipv6.DEEPEST} IPv6 headers in each other", _NESTED
            ).bare()
            break
        tunnels += 1
        inner = read_head(upper.heads, reader, ipv6.decode)
        kind, ends = inner.next_header, PseudoHeader(inner.source, inner.destination)
    upper.rest = ipv6.next_header_name(kind)
    # what was read until here stays, even when what it carries cannot be read
    if kind == ipv6.ICMPV6:
        _kept(reader, upper, _icmpv6, ends)
    elif kind == ipv6.UDP:
        start = reader.pos
        header = read_head(upper.heads, reader, udp.decode)
        left = reader.end - start
        if header.length != left and not reader.missing:
            text = f"the UDP length {header.length} and the {left} octets that IPv6 leaves differ"
            upper.remark = ReadingRemark("udp-length-differs", text, _LENGTH, start)
        if not (ends.hidden or reader.missing):
            upper.wrong = _wrong_udp(header, ends, reader.data[start : reader.end])
        upper.rest = APPLICATION_DATA
        ports = (header.source_port, header.destination_port)
        _kept(reader, upper, _application, registered(ports))


def _wrong_udp(header: udp.Udp, ends: PseudoHeader, segment: bytes) -> WrongChecksum | None:
    """Return a wrong checksum over what the header's length counts; None where not all of that is there.

    "that is the length used in the pseudo-header" (RFC 8200 section 8.1).
    """
    sent, length = header.checksum, header.length
    if length != len(segment):
        if not udp.OCTETS <= length < len(segment):
            return None
        segment = segment[:length]
    if sent and udp.is_right_between(ends.source, ends.destination, segment):
        return None
    return wrong_udp_sum(ends, segment)


def wrong_udp_sum(ends: PseudoHeader, segment: bytes) -> WrongChecksum:
    """Return the wrong checksum that a UDP segment carries."""
    right = udp.checksum(ends.source, ends.destination, segment)
    return WrongChecksum(ipv6.UDP, udp.CHECKSUM.number(segment), right, ends, segment)


def _icmpv6(reader: Reader, upper: Upper, ends: PseudoHeader) -> None:
    # over which destination the sender computed the checksum nobody can tell where it is hidden
    final = None if ends.hidden or reader.missing else ends.destination
    start = reader.pos
    message = _icmpv6_reader()(reader, ends.source, final)
    upper.heads.append(_new(Head, (message, start, reader.pos)))
    right = message.expected_checksum
    if right is not None and right != message.checksum:
        octets = reader.data[start : reader.end]
        upper.wrong = WrongChecksum(ipv6.ICMPV6, message.checksum, right, ends, octets)


@cache
def _icmpv6_reader() -> "Callable[..., Icmpv6]":
    from lowpanbudget.layers.internet import icmpv6  # noqa: PLC0415  # its messages are many

    return icmpv6.decode


def _application(reader: Reader, upper: Upper, what: str) -> None:
    if what == COAP and reader.left:
        read_head(upper.heads, reader, coap.decode)
    elif what == DTLS:
        records: list[Head] = []
        while reader.left:
            read_head(records, reader, dtls.decode)
        upper.heads += records
