"""What the loop must know of fragments that are alike, by the template of one: their part of a datagram."""

from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.tally_place import is_coap
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.lowpan.fragment import Fragment


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
            if not is_coap(flow, sighting):
                fields[p.C_WHOLE] = part.size - upper.offset - udp.OCTETS
        elif flow.protocol not in (ipv6.UDP, ipv6.ICMPV6):
            fields[p.C_WHOLE] = 0
    return True
