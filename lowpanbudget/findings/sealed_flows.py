"""Flows that nodes seal: what of their headers can be compared with the plan, and those planned in the clear.

The latter are encoded as they were heard.
"""

from functools import lru_cache
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.capture.follow.flow_table import is_asked_by
from lowpanbudget.capture.follow.opened import OpenedContent
from lowpanbudget.capture.follow.protection import seals
from lowpanbudget.design.application import Oscore
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.path import FlowPath
from lowpanbudget.errors import WireError, plural
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.exchanges import message_carried, message_sealed
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.flows import FieldBits, field_bits, planned_bits
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet.coap.codes import is_request
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.registry import OSCORE
from lowpanbudget.layers.internet.oscore import option as oscore
from lowpanbudget.layers.internet.oscore.context import ALGORITHMS, MANDATORY
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.values import replace

_STAND_IN_TAG = ALGORITHMS[MANDATORY].aead.tag
_OTHER_END = bytes(
    7
)  # the longest identifier, so that no kid is the same: of who receives nothing is sent


class ComparedHeaders(NamedTuple):
    """The bits of header fields that a frame of a sealed flow has, and those planned for it."""

    seen: FieldBits
    planned: FieldBits


def compared(scene: Scene, path: FlowPath, datagram: HeardDatagram) -> ComparedHeaders | None:
    """Return what can be compared of a sealed message that is one of the path's flow; None of any other.

    Where it was opened that is all around the application's octets, else all around the payload of UDP.
    """
    flow, opened, heads = path.flow, scene.opened, scene.frame.heads
    at = next((one.end for one in reversed(heads) if isinstance(one.value, Udp | UdpNhc)), None)
    if at is None or not _is_its(flow, scene, datagram):
        return None
    mic = 0 if scene.security is None else scene.security.protection.mic
    end = len(scene.example) - scene.fcs - mic
    around = tuple(one for one in scene.spans if not at <= one.offset_bits // 8 < end)
    seen, planned = field_bits(around, len(scene.example) - scene.fcs), {**planned_bits(path)}
    for field in _application_bits(flow, 1):
        planned.pop(field, None)
    if opened is not None and opened.is_open and opened.application is not None:
        seen |= field_bits(tuple(opened.spans), len(opened.octets))
        planned |= _application_bits(flow, len(opened.application))
    return ComparedHeaders(seen, planned)


def _is_its(flow: Flow, scene: Scene, datagram: HeardDatagram) -> bool:
    """Return whether a datagram is protected as its flow, and not the answer of the other end, or its request."""
    if flow.application.dtls is not None:
        return seals(flow, datagram.udp_octets, None)
    message, coap = message_sealed(scene, datagram), flow.application.coap
    return message is not None and coap is not None and is_request(coap.code) == message.is_request


def is_message_of(flow: Flow, scene: Scene, datagram: HeardDatagram) -> bool:
    """Return whether a datagram that has the ports of a flow is its message: protected so, asking for what it asks for.

    Of what nobody can read as CoAP, or nobody opens, ports and direction alone are compared.
    """
    if flow.application.is_sealed and not _is_its(flow, scene, datagram):
        return False
    opened = None if scene.opened is None or not scene.opened.is_open else scene.opened.message
    message = opened or message_carried(datagram)
    if flow.application.coap is None or message is None:
        return True
    if message.first(OSCORE) is not None:
        return is_request(flow.application.coap.code) == message.is_request
    return is_asked_by(flow, message)


@lru_cache(256)
def _application_bits(flow: Flow, octets: int) -> FieldBits:
    """Return the bits of each field of what a flow has behind UDP, around so many octets of the application."""
    writer = flow.application.write(bytes(octets))
    return field_bits(tuple(writer.spans), len(writer.data))


def sealed_as_heard(flow: Flow, message: CoapMessage | None) -> Flow | None:
    """Return a flow that is planned in the clear with the OSCORE of a message of it; None where it is not sealed."""
    option = None if message is None else message.first(OSCORE)
    if option is None or flow.application.coap is None or flow.application.is_sealed:
        return None
    try:
        heard = oscore.decode(Reader(option.octets))
    except WireError:
        return None  # told where the message is read
    kid, context = heard.kid or b"", heard.kid_context
    if len(kid) > len(_OTHER_END):
        return None  # none of a nonce of 13 octets (RFC 8613 section 3.3)
    # the lengths alone count, and these come again and again
    return _sealed(flow, len(heard.piv or b""), len(kid), None if context is None else len(context))


@lru_cache(256)
def _sealed(flow: Flow, piv: int, kid: int, context: int | None) -> Flow:
    sequence = 1 << 8 * (piv - 1) if piv > 1 else 0
    id_context = None if context is None else bytes(context)
    own = Oscore(b"\1" * kid, _OTHER_END, id_context, context is not None, sequence, piv > 0)
    return replace(flow, application=replace(flow.application, oscore=own))


def sealed_longer(
    path: FlowPath, sealed: FlowPath, opened: OpenedContent | None, subject: str
) -> Hit:
    """Return the hit of headers that are longer by OSCORE, over the path as it is planned in the clear."""
    planned, heard = _by_layer(path), _by_layer(sealed)
    is_open = opened is not None and opened.is_open
    if opened is not None and is_open:
        tag = len(opened.octets) - opened.sealed[1]
        heard[oscore.LAYER] += 8 * (tag - _STAND_IN_TAG)
    over = (sum(heard.values()) - sum(planned.values())) // 8
    least = "" if is_open else "at least "  # what nobody opens may have a longer tag
    cause = (
        f"headers take {least}{plural(over, 'octet')} more than budgeted for the {path.hop.name} hop: the message is "
        "sealed with OSCORE, and the design has it in the clear"
    )
    evidence = tuple(
        f"{layer}: {plural(bits // 8, 'octet')}, planned {planned.get(layer, 0) // 8 or 'none'}"
        for layer, bits in heard.items()
        if bits != planned.get(layer, 0)
    )
    return Hit(cause, evidence, f"{subject}: OSCORE", advice=_advice(path.flow))


def _advice(flow: Flow) -> str:
    return (
        f"Set [flow.oscore] with the IDs of both ends in flow {flow.answers or flow.name}, and plan with what it "
        "leaves. That the node protects its messages is no fault: switch it off for no octets."
    )


def _by_layer(path: FlowPath) -> dict[str, int]:
    bits: dict[str, int] = {}
    for (layer, _), number in planned_bits(path).items():
        bits[layer] = bits.get(layer, 0) + number
    return bits
