"""Messages of CoAP in their exchange: what a datagram brings, and the request behind an answer."""

from lowpanbudget.bits import Reader
from lowpanbudget.errors import WireError
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.registry import OSCORE


def message_heard(scene: Scene, datagram: HeardDatagram) -> CoapMessage | None:
    """Return the innermost message in a datagram as far as anybody, or the keys given, can read it; None without one.

    Of frames that are alike the first stands for all: message ID, token and payload may be others'.
    """
    if scene.opened is not None and scene.opened.message is not None:
        return scene.opened.message
    return message_carried(datagram)


def message_carried(datagram: HeardDatagram) -> CoapMessage | None:
    """Return the same as everybody reads it: of a sealed one what stands outside."""
    return next(iter(datagram.headers.messages), None)


def message_sealed(scene: Scene, datagram: HeardDatagram) -> CoapMessage | None:
    """Return the message that OSCORE seals, as it stands outside: in DTLS where that was opened; None without one."""
    opened = scene.opened
    heads = datagram.layers if opened is None else [head.value for head in opened.heads]
    messages = (one for one in heads if isinstance(one, CoapMessage))
    return next((one for one in messages if one.first(OSCORE) is not None), None)


def message_answered(scene: Scene) -> CoapMessage | None:
    """Return the message that the one at hand acknowledges or rejects; None where it is not known or cannot be read."""
    begun = scene.begun
    if begun is None or begun.number == scene.number:
        return None
    try:
        return coap.decode(Reader(begun.octets))
    except WireError:
        return None
