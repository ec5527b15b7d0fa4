"""Where the frames that are alike are counted, and what an application sent in each."""

from lowpanbudget.capture.follow.flows import upper_of
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.tally import Tally
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.stack.upper import COAP_PORT
from lowpanbudget.values import dataclass

# octets of an application in frames that bring none to it, however long the others are that are alike
NO_APPLICATION = -(1 << 20)


@dataclass(slots=True)
class TallyPlace:
    """Where records are counted, whether their room counts, and the name of their sequence if they have one.

    ``application`` are the octets that an application sent in a frame as long as the template, once they are known.
    """

    tally: Tally
    is_data: bool
    sequence: bytes | None
    application: int | None = None


def counted_application(sighting: Sighting, datagram: bytes, place: TallyPlace) -> int:
    """Return the octets that an application sent in the datagram that a frame completes."""
    template = sighting.template
    alone = len(sighting.parts) == 1
    longer = 0 if template is None else template.longer(sighting.payload)
    if sighting.opened is not None and sighting.opened.is_open:
        return len(sighting.application or b"")
    if alone and place.application is not None:
        return max(place.application + longer, 0)
    application = application_octets(sighting, datagram)
    if alone:
        place.application = application - longer if application else NO_APPLICATION
    return application


def application_octets(sighting: Sighting, datagram: bytes) -> int:
    """Return the octets that an application sent in the datagram: behind UDP, and behind CoAP where it can be read."""
    flow = sighting.flow
    if flow is None or flow.protocol != ipv6.UDP:
        return 0
    if COAP_PORT in (flow.source_port, flow.destination_port):
        return len(sighting.application or b"")
    template = sighting.headers_template
    upper = upper_of(datagram) if template is None else template.upper
    if upper is None:
        return 0
    return max(len(datagram) - upper.offset - udp.OCTETS, 0)  # a header may be cut
