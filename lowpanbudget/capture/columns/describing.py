"""What the loop must know of frames that are alike, by the template of one: its checksum, its part of a datagram."""

from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.stack.upper import COAP_PORT


def has_sum(fields: list[int], sighting: Sighting) -> bool:
    """Fill in what the UDP checksum of such frames is tested with, where the template tests one."""
    template, datagram = sighting.template, sighting.datagram
    assert template is not None
    upper = template.upper
    if template.pseudo is None or upper is None or template.example.checksum_elided:
        return True
    assert datagram is not None
    front = len(template.front)
    segment, behind = datagram[upper.offset :], upper.offset - front
    known = datagram[upper.offset : front] if behind < 0 else b""
    fields[p.C_VERBATIM] = template.verbatim + max(behind, 0)
    fields[p.C_ODD] = len(known) & 1
    fields[p.C_SUM] = template.pseudo + len(segment) + ipv6.ones_complement_sum(known)
    fields[p.C_CHECKSUM] = -1
    checksum = udp.CHECKSUM
    if len(known) <= checksum.start:
        fields[p.C_CHECKSUM] = template.verbatim + behind + checksum.start
    elif len(known) < checksum.end:
        return False
    # the length before the checksum is known, or all frames must have this one
    fields[p.C_EXACT] = len(known) < checksum.start
    return True


def is_part_described(fields: list[int], sighting: Sighting, part: Fragment, ends: int) -> bool:
    """Fill in what a fragment brings of a datagram between such ends; return whether the loop can hold it."""
    template, payload = sighting.template, sighting.payload
    assert template is not None
    assert payload is not None
    built = template.build(payload)
    if (
        built is None or not fields[p.C_DATA] or len(payload) > p.PART_OCTETS
        or not built or len(built) >= part.size or template.tag is None
    ):  # fmt: skip
        return False
    flow, upper = template.flow, template.upper
    fields[p.C_FRAGMENT] = p.FIRST_FRAGMENT if part.first else p.NEXT_FRAGMENT
    fields[p.C_ENDS] = ends
    fields[p.C_SIZE], fields[p.C_OFFSET] = part.size, part.offset
    fields[p.C_BROUGHT], fields[p.C_TAG] = len(built), template.tag.start
    fields[p.C_WHOLE] = p.WHOLE_UNKNOWN
    if part.first and flow is not None and upper is not None:
        if flow.protocol == ipv6.UDP and flow.source_port is not None:
            if COAP_PORT not in (flow.source_port, flow.destination_port):
                fields[p.C_WHOLE] = part.size - upper.offset - udp.OCTETS
        elif flow.protocol not in (ipv6.UDP, ipv6.ICMPV6):
            fields[p.C_WHOLE] = 0
    return True
