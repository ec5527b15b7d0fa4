"""Flows that nodes seal with OSCORE though the design has them in the clear: encoded as they were heard."""

from functools import lru_cache

from lowpanbudget.bits import Reader
from lowpanbudget.capture.follow.opened import OpenedContent
from lowpanbudget.design.application import Oscore
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.path import Path
from lowpanbudget.errors import WireError, plural
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.flows import planned_bits
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.registry import OSCORE
from lowpanbudget.layers.internet.oscore import option as oscore
from lowpanbudget.layers.internet.oscore.context import ALGORITHMS, MANDATORY
from lowpanbudget.values import replace

_STAND_IN_TAG = ALGORITHMS[MANDATORY].aead.tag
_OTHER_END = bytes(
    7
)  # the longest identifier, so that no kid is the same: of who receives nothing is sent


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


def sealed_longer(path: Path, sealed: Path, opened: OpenedContent | None, subject: str) -> Hit:
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


def _by_layer(path: Path) -> dict[str, int]:
    bits: dict[str, int] = {}
    for (layer, _), number in planned_bits(path).items():
        bits[layer] = bits.get(layer, 0) + number
    return bits
