"""A whole IPv6 datagram that goes as it is, behind its dispatch octet or without a link."""

from lowpanbudget.bits import Reader
from lowpanbudget.env import Env
from lowpanbudget.fields import read_head
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.chain import PseudoHeader
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.stack import identifiers
from lowpanbudget.stack.incoming import CHECKSUM, Taking, octet_of
from lowpanbudget.stack.misplaced import note_headers
from lowpanbudget.stack.upper import read_upper


def read_datagram(reader: Reader, env: Env, taking: Taking, start: int) -> None:
    """Read all that is left, with all that is to be noticed; what frames it starts at octet ``start``.

    Raises ``WireError`` where there is no IPv6 header.
    """
    at = reader.pos
    header = read_head(taking.heads, reader, ipv6.decode)
    ends = PseudoHeader(header.source, header.destination)
    upper = read_upper(reader, header.next_header, ends)
    taking.heads += upper.heads
    taking.unreadable(upper.fault)
    if upper.wrong is not None:
        checksum_at = octet_of(reader.spans, CHECKSUM, start)
        taking.notices += identifiers.note_wrong_checksum(upper.wrong, env, start, checksum_at)
    taking.notices += note_headers(taking.heads)
    note_length(taking, header, reader.end - at, at)
    if upper.remark is not None:
        taking.note(*upper.remark)


def note_length(taking: Taking, header: Ipv6, octets: int, at: int) -> None:
    """Note where the payload length of a header at octet ``at`` is not that of a datagram of so many octets."""
    expected = octets - ipv6.OCTETS
    if header.payload_length != expected:
        text = (
            f"the IPv6 payload length {header.payload_length} and the {expected} octets from the lower layer "
            "differ"
        )
        taking.note("ipv6-length-differs", text, ipv6.HEADER.cite, at)
