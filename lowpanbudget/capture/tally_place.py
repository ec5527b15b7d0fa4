"""Where the frames that are alike are counted, and what an application sent in each."""

from collections.abc import Iterable

from lowpanbudget.capture.follow.flows import upper_of
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.tally import Tally
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.stack.upper import COAP_PORT
from lowpanbudget.values import dataclass, field

# octets of an application in frames that bring none to it, however long the others are that are alike
NO_APPLICATION = -(1 << 20)
_MOST_LENGTHS = 128  # of frames that are alike, whose layers are remembered


@dataclass(slots=True)
class TallyPlace:
    """Where records are counted, whether their room counts, and the name of their sequence if they have one.

    ``application`` are the octets that an application sent in a frame as long as the template, once they are known.
    ``_layers`` are the bits of each layer, by the octets of payload and frame.
    """

    tally: Tally
    is_data: bool
    is_fragment: bool
    sequence: bytes | None
    application: int | None = None
    _layers: dict[tuple[int, int], tuple[tuple[str, int], ...]] = field(default_factory=dict)

    def layers_of(self, sighting: Sighting) -> Iterable[tuple[str, int]]:
        """Return the bits of each layer of a frame that is counted here."""
        if sighting.opened is not None:
            return sighting.layer_bits.items()
        key = len(sighting.payload or b""), len(sighting.octets)
        layers = self._layers.get(key)
        if layers is None:
            layers = tuple(sighting.layer_bits.items())
            if len(self._layers) < _MOST_LENGTHS:
                self._layers[key] = layers
        return layers


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
