"""What a rule may be about: told of a frame by nothing but what all frames that are alike share.

A rule that says it is not asked about frames to which it has nothing to say (``Subject.rule``).
"""

from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet.coap.codes import coap_code
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.registry import BLOCK2, OBSERVE, OSCORE
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.link.mac import FrameType
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.lorh import SrhLorh
from lowpanbudget.stack.upper import DTLS

_POST = coap_code("POST")  # the code of a sealed request, too (RFC 8613 section 4.2)


def no_more(_scene: Scene) -> bool:
    """Return that it is not: the first of frames that are alike tells all."""
    return False


def part(scene: Scene) -> bool:
    """Return whether it brings none, or a part."""
    return scene.datagram is None or scene.is_fragment


def design(scene: Scene) -> bool:
    """Return whether there is a design to compare with."""
    return scene.known.design is not None


def wrong_checksum(scene: Scene) -> bool:
    """Return whether its datagram has a wrong checksum."""
    return scene.datagram is not None and scene.datagram.is_sum_wrong


def unplanned(scene: Scene) -> bool:
    """Return whether there is a design, and it has no flow for its datagram."""
    return scene.match is None and design(scene)


def beacon(scene: Scene) -> bool:
    """Return whether it is a beacon."""
    return scene.mac is not None and scene.mac.frame_type == FrameType.BEACON


def command(scene: Scene) -> bool:
    """Return whether it is a command of the MAC."""
    return scene.mac is not None and scene.mac.frame_type == FrameType.COMMAND


def link_security(scene: Scene) -> bool:
    """Return whether link security protects the frame."""
    return scene.security is not None and bool(scene.security.level)


def nonce_without_counter(scene: Scene) -> bool:
    """Return whether link security protects the frame with a nonce of the slot number, be that known or not."""
    return link_security(scene) and scene.security is not None and scene.security.is_by_slot


def nonce_of_slot(scene: Scene) -> bool:
    """Return whether link security protects the frame with a nonce of the slot number, which the capture has."""
    return scene.slot is not None and nonce_without_counter(scene)


def context(scene: Scene) -> bool:
    """Return whether a header is compressed with a context."""
    headers = (one for one in scene.frame.layers if isinstance(one, Iphc))
    return any(number is not None for header in headers for number in header.contexts)


def expanding_context(scene: Scene) -> bool:
    """Return whether a header is compressed with a context that is for expanding only."""
    headers = (one for one in scene.frame.layers if isinstance(one, Iphc))
    kept = {number for number, one in scene.contexts.items() if not one.may_compress}
    return any(number in kept for header in headers for number in header.contexts)


def records(scene: Scene) -> bool:
    """Return whether its datagram brings DTLS records."""
    return scene.datagram is not None and scene.datagram.has_records


def coap(scene: Scene) -> bool:
    """Return whether its datagram holds a CoAP message, or may do so where its records are opened."""
    content = None if scene.datagram is None else scene.datagram.udp
    return content is not None and (content.is_coap or records(scene))


def dtls(scene: Scene) -> bool:
    """Return whether its datagram has the port of records, be they read or not."""
    content = None if scene.datagram is None else scene.datagram.udp
    return content is not None and content.protocol == DTLS


def oscore(scene: Scene) -> bool:
    """Return whether its datagram holds a message that OSCORE seals."""
    layers = () if scene.datagram is None else scene.datagram.layers
    messages = (one for one in layers if isinstance(one, CoapMessage))
    return any(message.first(OSCORE) is not None for message in messages)


def open_post(scene: Scene) -> bool:
    """Return whether its datagram holds a POST that nothing of CoAP seals."""
    layers = () if scene.datagram is None else scene.datagram.layers
    return not oscore(scene) and any(
        isinstance(one, CoapMessage) and one.code == _POST for one in layers
    )


def in_clear(scene: Scene) -> bool:
    """Return whether its datagram may go without the protection that its flow is planned with.

    Frames that are alike have one code and the same options; on ports where nobody reads messages they differ.
    """
    flows, datagram = scene.known.flows, scene.datagram
    if flows is None or datagram is None or not flows.seals(datagram):
        return False
    is_read = records(scene) or any(isinstance(one, CoapMessage) for one in datagram.layers)
    return not is_read or flows.unprotected(datagram) is not None


def observe(scene: Scene) -> bool:
    """Return whether its datagram holds a CoAP message about an observation, or may do so where it is opened."""
    if not coap(scene):
        return False
    if scene.opened is not None or scene.datagram is None or records(scene):
        return True
    messages = (one for one in scene.datagram.layers if isinstance(one, CoapMessage))
    return any(message.first(OBSERVE) is not None for message in messages)


def blocks(scene: Scene) -> bool:
    """Return whether its datagram holds a block of an answer of CoAP, or may do so where it is opened."""
    if scene.opened is not None:
        return True
    layers = () if scene.datagram is None else scene.datagram.layers
    messages = (one for one in layers if isinstance(one, CoapMessage) and one.is_response)
    return any(message.first(BLOCK2) is not None for message in messages)


def last_hop(scene: Scene) -> bool:
    """Return whether its datagram may go no further."""
    return scene.datagram is not None and scene.datagram.outer.hop_limit <= 1


def rpl_option(scene: Scene) -> bool:
    """Return whether its datagram has an RPL option."""
    return scene.datagram is not None and scene.datagram.rpl_option is not None


def source_route(scene: Scene) -> bool:
    """Return whether a source route leads its datagram; as 6LoRH one of a single entry is no header behind IPv6."""
    datagram = scene.datagram
    if datagram is None:
        return False
    return scene.find(SrhLorh) is not None or datagram.source_route is not None


def icmpv6(scene: Scene) -> bool:
    """Return whether it brings a message of ICMPv6."""
    return scene.find(Icmpv6) is not None
