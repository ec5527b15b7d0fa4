"""The usual 6LoWPAN payload in one go: a whole datagram of an IPHC header, and compressed UDP or anything in full.

``lowpan`` and ``datagram`` read any chain of headers, fragments and routes; nearly all frames have none of that. What
is more than this, or wrong, is left to them.
"""

from lowpanbudget.bits import Reader
from lowpanbudget.env import Contexts, Env
from lowpanbudget.errors import WireError
from lowpanbudget.fields import Head
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.internet.chain import PseudoHeader
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.lowpan import dispatch, iphc, nhc
from lowpanbudget.stack import identifiers
from lowpanbudget.stack.identifiers import LinkEnds
from lowpanbudget.stack.incoming import CHECKSUM, ELIDED, Datagram, Taking, octet_of
from lowpanbudget.stack.misplaced import has_rare_address, note_addresses, note_headers
from lowpanbudget.stack.shapes import headers_of, headers_were_read
from lowpanbudget.stack.upper import (
    APPLICATION_DATA,
    APPLICATION_PORTS,
    WITH_HEADERS,
    leave_payload,
    read_application,
    read_upper,
    registered,
    wrong_udp_sum,
)

_new = tuple.__new__
# octets of a payload whose length, with a UDP header, has 16 bits
LARGEST = 0xFFFF - udp.OCTETS
_CHECKSUM_OCTETS = 2


def read_usual(reader: Reader, env: Env, taking: Taking, *, is_shaped: bool = False) -> bool:
    """Read all that is left into ``taking``; return False, with nothing touched, where it is not as usual.

    ``is_shaped``: frames like this one are read by one function for all of their headers, and need none for these.
    Raises ``WireError`` for an IPHC header that cannot be read.
    """
    if read_shaped(reader, env, env.contexts, taking):
        return True
    at, end = reader.pos, reader.end
    if not at < end < LARGEST:
        return False
    headers = _read_headers(reader, env, counts=not is_shaped)
    if headers is None:
        return False
    read_behind(reader, env, taking, at, *headers)
    return True


def read_shaped(reader: Reader, hop: LinkEnds, known: Contexts, taking: Taking) -> bool:
    """Do as ``read_usual``, under the contexts ``known``, where the headers have a shape that was read often."""
    data, end = reader.data, reader.end
    shape = headers_of(data, reader.pos)
    if shape is None or end >= LARGEST:
        return False
    read, at, udp, past = shape
    try:
        headers = read(data, end, hop.source, hop.destination, known)
    except WireError:
        return False  # the engine locates it
    if headers is None:
        return False
    layer, compressed, spans, free = headers
    reader.spans += spans
    reader.free += free
    reader.pos = past
    read_behind(reader, hop, taking, at, layer, compressed, udp)
    return True


def read_behind(
    reader: Reader,
    hop: LinkEnds,
    taking: Taking,
    at: int,
    layer: iphc.Iphc,
    compressed: nhc.UdpNhc | None,
    udp: int | None,
) -> None:
    """Take an IPHC header that starts at octet ``at``, and a UDP header at octet ``udp``; read what is behind them."""
    if compressed is None or udp is None:
        taking.heads.append(_new(Head, (layer, at, reader.pos)))
        with_any(reader, hop, taking, layer.header, at)
    else:
        taking.heads.append(_new(Head, (layer, at, udp)))
        taking.heads.append(_new(Head, (compressed, udp, reader.pos)))
        with_udp(reader, hop, taking, layer.header, compressed, at)


def _read_headers(
    reader: Reader, env: Env, *, counts: bool
) -> tuple[iphc.Iphc, nhc.UdpNhc | None, int] | None:
    """Return what ``headers_of`` does of headers that are not known yet; None, with nothing passed, of others."""
    data, at = reader.data, reader.pos
    if dispatch.PAGE_0.table[data[at]].key != "iphc":
        return None
    spans, free, unused = len(reader.spans), len(reader.free), reader.unused
    layer = iphc.decode(reader, env)
    behind, compressed = reader.pos, None
    if not layer.nhc:
        if counts:
            headers_were_read(data, at, None)
        return layer, None, behind
    if behind < reader.end and nhc.KINDS.table[data[behind]].key == "udp":
        try:
            compressed = nhc.decode_udp(reader)
        except WireError:
            pass  # what was read until there is told by the others
        else:
            if counts:
                headers_were_read(data, at, behind)
            return layer, compressed, behind
    reader.pos = at
    del reader.spans[spans:], reader.free[free:]
    reader.unused = unused
    return None


def _restored(header: Ipv6, length: int, next_header: int) -> Ipv6:
    """Return a header with what IPHC does not carry."""
    return Ipv6(
        header.traffic_class, header.flow_label, length, next_header, header.hop_limit,
        header.source, header.destination,
    )  # fmt: skip


def with_any(reader: Reader, hop: LinkEnds, taking: Taking, header: Ipv6, at: int) -> None:
    """Read what stands behind an IPHC header that carries the next header's number."""
    body = reader.data[reader.pos : reader.end]
    value = _restored(header, len(body), header.next_header)
    ends = _new(PseudoHeader, (header.source, header.destination, False))
    upper = read_upper(reader, header.next_header, ends)
    taking.heads += upper.heads
    taking.values = (value,)
    datagram = bytes(value) + body
    taking.datagram = Datagram(datagram)
    if upper.fault is not None:
        taking.unreadable(upper.fault)
    if upper.remark is not None:
        taking.note(*upper.remark)
    if upper.wrong is None:
        taking.notices += identifiers.note_carried(header, hop, at)
    else:
        checksum_at = octet_of(reader.spans, CHECKSUM, at)
        taking.notices += identifiers.note_wrong_checksum(upper.wrong, hop, at, checksum_at)
    if header.next_header in WITH_HEADERS:
        taking.notices += note_headers(taking.heads)
    elif has_rare_address(datagram):
        taking.notices += note_addresses(header, at)


def with_udp(
    reader: Reader, hop: LinkEnds, taking: Taking, header: Ipv6, compressed: nhc.UdpNhc, at: int
) -> None:
    """Read the payload of a compressed UDP header, the last of the heads, and restore lengths and checksum."""
    checksum_at = reader.pos - _CHECKSUM_OCTETS  # where it goes in line
    body = reader.data[reader.pos : reader.end]
    ports = (compressed.source_port, compressed.destination_port)
    length = udp.OCTETS + len(body)
    outer = _restored(header, length, ipv6.UDP)
    source, destination = header.source, header.destination
    checksum = compressed.checksum
    elided = checksum is None
    if checksum is None:
        checksum = udp.checksum(source, destination, bytes(Udp(*ports, length, 0)) + body)
        taking.note(*ELIDED, taking.heads[-1].start)
    inner = Udp(*ports, length, checksum)
    datagram = bytes(outer) + bytes(inner) + body
    if APPLICATION_PORTS.isdisjoint(ports):
        leave_payload(reader, APPLICATION_DATA)
    else:
        upper = read_application(reader, registered(ports))
        taking.heads += upper.heads
        taking.unreadable(upper.fault)
    taking.values = (outer, inner)
    taking.checksum_elided = elided
    taking.datagram = Datagram(datagram, elided)
    if not elided and not (checksum and udp.is_right_behind(datagram)):
        wrong = wrong_udp_sum(PseudoHeader(source, destination), datagram[ipv6.OCTETS :])
        taking.notices += identifiers.note_wrong_checksum(wrong, hop, at, checksum_at)
    else:
        taking.notices += identifiers.note_carried(header, hop, at)
    if has_rare_address(datagram):
        taking.notices += note_addresses(header, at)
