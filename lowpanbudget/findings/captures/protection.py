"""What goes without the protection from end to end that the design has for it."""

from lowpanbudget.capture.follow.protection import DTLS, OSCORE, Unprotected
from lowpanbudget.cites import rfc
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet.coap.codes import code_text
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.dtls.record import DEMULTIPLEX

PROTECTION = Subject("protection", across=True)
# "The OSCORE option indicates that the CoAP message is an OSCORE message"
_CITES = {OSCORE: rfc(8613, "2"), DTLS: DEMULTIPLEX}
_OTHERWISE = (
    "Bring node and design together: switch the planned protection on at both ends, or plan with the one that is used, "
    "after you have weighed what each of them leaves in the clear, and how much room it takes. Never go without both."
)
_BESIDE = (
    "Look whose it is, and what it is for. Where it belongs to the flow, seal it, and let the server refuse what comes "
    "without protection; else give it a flow of its own in the design, and ask whether that is to be sealed as well."
)


@PROTECTION.rule(
    "protection-not-as-planned", HeardDatagram, varies=True, concerns=concerns.in_clear
)
def protection_not_as_planned(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Look for what a planned protection leaves on the air, once on the way of a datagram."""
    flows = scene.known.flows
    if flows is None or scene.passage is not None or not concerns.in_clear(scene):
        return None
    bare = flows.unprotected(datagram)
    if bare is None:
        return None
    if bare.protection == DTLS and datagram.has_records:
        return None  # data of epoch 0, which records-in-clear tells
    source = str(datagram.header.source)
    return (_hit(bare, datagram.udp_octets, source)._replace(frames=datagram.numbers),)


def _hit(bare: Unprotected, octets: bytes, source: str) -> Hit:
    """Return what a datagram without the planned protection proves."""
    flow, planned, used = bare.fit.flow.name, bare.protection, bare.instead
    what, cite = (
        f"answers to flow {flow}" if bare.fit.back else f"flow {flow}",
        _CITES[used or planned],
    )
    seen = (_seen(bare, octets),)
    if not bare.is_of_flow:
        ends = "its ends" if bare.fit.between else "other ends"
        cause = f"in the clear on the ports of {what}, which has {planned}, between {ends}: the design has no such flow"
        subject = f"{source}: beside flow {flow}"
        return Hit(
            cause, seen, subject, (), Severity.REMARK, _BESIDE, certainty=Certainty.OPEN, cite=cite
        )
    if used:
        cause = f"{what}: protected with {used}, not with the {planned} that the design has for it"
        return Hit(cause, seen, f"{source}: {used}", (), Severity.RISK, _OTHERWISE, cite=cite)
    cause = f"{what} without the {planned} that the design has for it: in the clear from end to end"
    return Hit(cause, seen, source, cite=cite)


def _seen(bare: Unprotected, octets: bytes) -> str:
    if bare.instead == OSCORE:
        return "CoAP with the OSCORE option"
    if bare.instead == DTLS:
        return record_in_words(octets)
    if bare.message is not None:
        return in_words(bare.message)
    return f"no DTLS record: its first octet is {octets[0]}"


def record_in_words(octets: bytes) -> str:
    """Return where anybody sees that octets are records of DTLS."""
    return f"a DTLS record: content type and version are {octets[:3].hex(' ')}"


def in_words(message: CoapMessage) -> str:
    """Return what anybody reads in a message in the clear."""
    return " ".join(filter(None, ("readable as CoAP:", code_text(message.code), message.path)))
