"""What goes in the clear where the design has it sealed from end to end."""

from lowpanbudget.capture.follow.protection import DTLS, Unprotected
from lowpanbudget.cites import rfc
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet.coap.codes import code_text
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.dtls.record import DEMULTIPLEX

PROTECTION = Subject("protection")
# "The OSCORE option indicates that the CoAP message is an OSCORE message"
_OSCORE = rfc(8613, "2")


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
    flow, planned = bare.fit.flow.name, bare.protection
    what = "answers to flow" if bare.fit.back else "flow"
    cause = f"{what} {flow} without the {planned} that the design has for it: in the clear from end to end"
    cite = DEMULTIPLEX if planned == DTLS else _OSCORE
    source = str(datagram.header.source)
    return (Hit(cause, (_seen(bare, datagram),), source, datagram.numbers, cite=cite),)


def _seen(bare: Unprotected, datagram: HeardDatagram) -> str:
    if bare.message is not None:
        return in_words(bare.message)
    return f"no DTLS record: its first octet is {datagram.udp_octets[0]}"


def in_words(message: CoapMessage) -> str:
    """Return what anybody reads in a message in the clear."""
    return " ".join(filter(None, ("readable as CoAP:", code_text(message.code), message.path)))
