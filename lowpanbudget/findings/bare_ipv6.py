"""IPv6 headers that go as they are, and before which the dispatch octet was left out.

The first octet of such a header, 0110 and four bits of the traffic class, is that of LOWPAN_IPHC (011): where traffic
class and flow label are zero, all of it is read as one that elides nothing, with the payload length for a flow label.
"""

from lowpanbudget.findings.finding import Severity
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.mesh import Broadcast, Mesh
from lowpanbudget.layers.lowpan.recovery import Rfrag


def bare_ipv6(scene: Scene) -> Ipv6 | None:
    """Return the IPv6 header with which the payload of a frame begins, its fragment or mesh header left out; else None.

    Its payload length agrees with the size of the datagram: of other octets one in 65 536 would, of which few have a
    next header that there is.
    """
    payload, packet = scene.payload, scene.frame.packet
    part = scene.frame.fragment or packet.find(Fragment) or packet.find(Rfrag)
    if payload is None or (part is not None and not part.first):
        return None
    heads = (packet.head(kind) for kind in (Mesh, Broadcast, Fragment, Rfrag))
    octets = payload[sum(head.end - head.start for head in heads if head is not None) :]
    size = len(octets) if part is None else part.size
    if len(octets) < ipv6.OCTETS or not ipv6.HEADER.starts(octets) or size is None:
        return None
    header = ipv6.header_of(octets)
    is_one = header.payload_length == size - ipv6.OCTETS and header.next_header in ipv6.NEXT_HEADERS
    return header if is_one else None


def readings_of(header: Ipv6, scene: Scene) -> tuple[str, Severity]:
    """Return what receivers read in place of a header in words, and how much that matters."""
    scene.look()
    read = None if scene.frame.fault is not None else scene.header
    ends = header.source, header.destination
    if read is None or (read.source, read.destination) != ends:
        return (
            "read as LOWPAN_IPHC it is another header, or none: the datagram is lost",
            Severity.FAILURE,
        )
    text = f"read as LOWPAN_IPHC its flow label is {read.flow_label}, and was {header.flow_label}"
    if read.traffic_class != header.traffic_class:
        text += f"; its traffic class {read.traffic_class}, and was {header.traffic_class}"
    return f"{text}; the payload length is {header.payload_length}", Severity.RISK
