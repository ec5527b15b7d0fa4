"""Where the frames that are alike are counted, and what an application sent in each."""

from collections.abc import Sequence
from typing import NamedTuple

from lowpanbudget.capture.follow.flows import FlowKey, upper_of
from lowpanbudget.capture.follow.parts import DatagramPart, headers_template_of
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.templates import Template
from lowpanbudget.capture.sequences import NodeSequence
from lowpanbudget.capture.tally import Tally
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.internet.chain import ChainPlace
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.lowpan.ghc_headers import CodeSize, code_size
from lowpanbudget.stack.upper import COAP
from lowpanbudget.values import dataclass, field

# octets of an application in frames that bring none to it, however long the others are that are alike
NO_APPLICATION = -(1 << 20)
_EMPTY = udp.OCTETS + coap.HEADER.octets
_MOST_LENGTHS = 128  # of frames that are alike
AssembledKey = tuple[Template | None, int, int, int]
AmountsKey = tuple[int, int, bool]
_NO_CODE = CodeSize(0, 0)


@dataclass(slots=True)
class Amounts:
    """What a frame adds to a tally, and how many ``frames`` there were that add the same and did not yet."""

    layers: tuple[tuple[str, int], ...]
    octets: int
    unused: int
    avoidable: int
    datagrams: int
    datagram_octets: int
    application: int
    code: CodeSize
    frames: int = 0

    def take_up(self, tally: Tally) -> None:
        """Add what the frames add."""
        frames, self.frames = self.frames, 0
        tally.frames += frames
        tally.octets += frames * self.octets
        tally.unused += frames * self.unused
        tally.avoidable += frames * self.avoidable
        tally.datagrams += frames * self.datagrams
        tally.datagram_octets += frames * self.datagram_octets
        tally.application += frames * self.application
        tally.byte_code += frames * self.code.byte_code
        tally.expanded += frames * self.code.expanded
        layers = tally.layer_bits
        for layer, bits in self.layers:
            layers[layer] = layers.get(layer, 0) + frames * bits


class Assembled(NamedTuple):
    """What a datagram adds that fragments make up, beside what each of them does."""

    octets: int
    application: int
    avoidable: int

    def add(self, tally: Tally) -> None:
        """Count it."""
        octets, application, avoidable = self
        tally.assembled += 1
        tally.datagrams += 1
        tally.datagram_octets += octets
        tally.application += application
        tally.avoidable += avoidable


def assembled_key(parts: Sequence[DatagramPart], octets: int) -> AssembledKey:
    """Return what datagrams have in common whose last fragments are alike, and which add the same."""
    return headers_template_of(parts), octets, len(parts), sum([part.octets for part in parts])


@dataclass(slots=True)
class TallyPlace:
    """Where records of a flow are counted, whether their room counts, and the name of their sequence if they have one.

    ``application`` are the octets that an application sent in a frame as long as the template, once they are known.
    Where frames are ``plain``, what they add depends on their length alone: ``amounts`` by octets of payload and frame
    and whether it is damaged, but for the datagram that fragments make up;
    ``assembled`` are those of which lengths alone count.
    """

    tally: Tally
    flow: FlowKey | None
    is_data: bool
    is_fragment: bool
    sequence: NodeSequence | None
    is_plain: bool
    application: int | None = None
    amounts: dict[AmountsKey, Amounts] = field(default_factory=dict)
    assembled: dict[AssembledKey, Assembled] = field(default_factory=dict)

    @property
    def is_full(self) -> bool:
        """Return whether there are too many lengths to remember more."""
        return len(self.amounts) >= _MOST_LENGTHS

    def keep(self, sighting: Sighting, assembled: Assembled) -> None:
        """Remember what a datagram adds where others add the same: no message is read in it, no byte code."""
        key, flow = assembled_key(sighting.parts, assembled.octets), self.flow
        is_read = flow is None or flow.protocol != ipv6.UDP or is_coap(flow, sighting)
        if not is_read and key[0] is not None and not code_of(key[0]).byte_code:
            if len(self.assembled) >= _MOST_LENGTHS:
                self.assembled.clear()
            self.assembled[key] = assembled

    def take_up(self) -> None:
        """Add what was counted to the tally."""
        for amounts in self.amounts.values():
            amounts.take_up(self.tally)
        self.amounts.clear()


def code_of(template: Template | None) -> CodeSize:
    """Return the byte code in a frame, which is the same in all that are alike."""
    if template is None:
        return _NO_CODE
    known = template.facts.get(code_of)
    if not isinstance(known, CodeSize):
        known = template.facts[code_of] = code_size(template.example.spans)
    return known


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


def is_coap(flow: FlowKey, sighting: Sighting) -> bool:
    """Return whether CoAP goes between the UDP ports of a flow, as far as is known where it was heard."""
    source, destination = flow.source_port, flow.destination_port
    if source is None or destination is None:
        return False
    return sighting.decoder.applications.of(source, destination) == COAP


def is_empty_message(sighting: Sighting, datagram: bytes, upper: ChainPlace) -> bool:
    """Return whether a datagram that a frame completes is an Empty message of CoAP, which no application sent."""
    if len(datagram) - upper.offset != _EMPTY or upper.kind != ipv6.UDP:
        return False
    flow = sighting.flow
    return (
        flow is not None
        and is_coap(flow, sighting)
        and coap.is_empty(datagram[upper.offset + udp.OCTETS :])
    )


def application_octets(sighting: Sighting, datagram: bytes) -> int:
    """Return the octets that an application sent in the datagram: behind UDP, and behind CoAP where it can be read."""
    flow = sighting.flow
    if flow is None or flow.protocol != ipv6.UDP:
        return 0
    if is_coap(flow, sighting):
        return len(sighting.application or b"")
    template = sighting.headers_template
    upper = upper_of(datagram) if template is None else template.upper
    if upper is None:
        return 0
    return max(len(datagram) - upper.offset - udp.OCTETS, 0)  # a header may be cut
