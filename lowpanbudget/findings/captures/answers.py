"""Answers of CoAP beside the requests that they belong to, and notifications beside those before."""

from lowpanbudget.bits import Reader
from lowpanbudget.capture.recent import Recent
from lowpanbudget.cites import rfc
from lowpanbudget.env import IID_MASK, interface_identifier
from lowpanbudget.errors import WireError
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.exchanges import message_sealed
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.codes import CoapType, is_request, is_response
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.registry import OBSERVE, OSCORE
from lowpanbudget.layers.internet.coap.times import EXCHANGE_LIFETIME_S
from lowpanbudget.layers.internet.oscore import option as oscore
from lowpanbudget.values import dataclass

ANSWERS = Subject("answers")

# client, server, both ports, message ID; then when it was asked last, and the frames by their tokens
Asked = Recent[tuple[int, int, int, int, int], tuple[float, dict[bytes, int]]]


@ANSWERS.rule("answer-with-other-token", HeardDatagram, memory=Recent, concerns=concerns.coap)
def answer_with_other_token(memory: Asked, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Note confirmable requests; compare what is piggybacked on their acknowledgements."""
    head, content = datagram.coap_head, datagram.udp
    if head is None or content is None or scene.passage is not None:
        return None
    ends = datagram.ends
    ports, now_s = (content.source_port, content.destination_port), scene.time_s
    if head.type == CoapType.CON and is_request(head.code):
        key = (*ends, *ports, head.mid)
        before = memory.get(key)
        # one that began anew may take a number again, and gets the answer to what it asked first
        tokens = {} if before is None or now_s - before[0] > EXCHANGE_LIFETIME_S else before[1]
        tokens[head.token] = scene.number
        memory.renew(key, (now_s, tokens))
        return None
    if head.type != CoapType.ACK or not is_response(head.code):
        return None
    asked = memory.get((*ends[::-1], *ports[::-1], head.mid))
    if asked is None or head.token in asked[1] or now_s - asked[0] > EXCHANGE_LIFETIME_S:
        return None
    token, number = list(asked[1].items())[-1]
    cause = "answers come with the message ID of a request and not with its token"
    told = f"token {_text(token)} in frame {number}, {_text(head.token)} in frame {scene.number}"
    evidence = (f"message ID {head.mid:#06x}: {told}",)
    return (Hit(cause, evidence, str(datagram.header.source), (number, scene.number)),)


def _text(token: bytes) -> str:
    return token.hex() or "of no octets"


@dataclass(slots=True)
class _Named:
    """The last request under a token: its message ID, when it came and in which frame, and whether it is answered.

    ``alone``: no other request had the token and stayed without an answer.
    """

    mid: int
    time_s: float
    number: int
    answered: bool = False
    alone: bool = True


# client, server, both ports, and token
ByToken = Recent[tuple[int, int, int, int, bytes], _Named]


@ANSWERS.rule(
    "answer-with-other-message-id", HeardDatagram, least=3, memory=Recent, concerns=concerns.coap
)
def answer_with_other_message_id(
    memory: ByToken, scene: Scene, datagram: HeardDatagram
) -> Hits | None:
    """Note confirmable requests by their tokens; compare what is piggybacked on acknowledgements."""
    head, content = datagram.coap_head, datagram.udp
    if head is None or content is None or scene.passage is not None:
        return None
    ends = datagram.ends
    ports, now_s = (content.source_port, content.destination_port), scene.time_s
    if head.type == CoapType.CON and is_request(head.code):
        key = (*ends, *ports, head.token)
        before = memory.get(key)
        if before is not None and before.mid == head.mid:
            return None  # it is sent again
        # a client with one token for all may get the answer to a request before
        alone = before is None or before.answered or now_s - before.time_s > EXCHANGE_LIFETIME_S
        memory.renew(key, _Named(head.mid, now_s, scene.number, alone=alone))
        return None
    if head.type != CoapType.ACK or not is_response(head.code):
        return None
    named = memory.get((*ends[::-1], *ports[::-1], head.token))
    if named is None or named.answered or now_s - named.time_s > EXCHANGE_LIFETIME_S:
        return None
    if head.mid == named.mid:
        named.answered = True
        return None
    turned = head.mid.to_bytes(2, "big") == named.mid.to_bytes(2, "little")
    if not turned and not named.alone:
        return None
    how = "its message ID with the octets exchanged" if turned else "another message ID"
    cause = f"answers come with the token of a request and {how}"
    told = f"{named.mid:#06x} in frame {named.number}, {head.mid:#06x} in frame {scene.number}"
    evidence = (f"token {_text(head.token)}: message ID {told}",)
    return (Hit(cause, evidence, str(datagram.header.source), (named.number, scene.number)),)


_FRESH_S = 128  # after which any notification counts as fresh (RFC 7641 section 3.4)
_HALF = 1 << 23
_OF_OSCORE = rfc(8613, "4.1.3.5.2")
_SEALED_ADVICE = (
    "Keep the Sender Sequence Number where no restart loses it, and let it never go back (RFC 8613 section 7.5). What "
    "the Observe option says outside counts for nobody."
)


@dataclass(slots=True)
class _Notified:
    """The last notification of an observation: its number, message ID, when it came and in which frame."""

    number: int
    mid: int
    time_s: float
    frame: int
    is_sealed: bool


# server, client, its port and token
Notified = Recent[tuple[int, int, int, bytes], _Notified]


@ANSWERS.rule("observe-number-not-raised", HeardDatagram, memory=Recent, concerns=concerns.observe)
def observe_number_not_raised(
    memory: Notified, scene: Scene, datagram: HeardDatagram
) -> Hits | None:
    """Compare with the notification before, where the server sends both: on their way they may change places."""
    head, content, link = datagram.coap_head, datagram.udp, datagram.link_source
    if head is None or content is None or scene.passage is not None or link is None:
        return None
    source, destination = datagram.ends
    if not is_response(head.code):  # with a new registration numbers may begin anew
        memory.pop((destination, source, content.source_port, head.token), None)
        return None
    if source & IID_MASK != interface_identifier(link):
        return None
    sealed = message_sealed(scene, datagram)
    number = _number_of(content.payload) if sealed is None else _sealed_number_of(sealed)
    if number is None:
        return None
    key = source, destination, content.destination_port, head.token
    now = _Notified(number, head.mid, scene.time_s, scene.number, sealed is not None)
    before = memory.renew(key, now)
    if before is None or before.mid == head.mid or before.is_sealed != now.is_sealed:
        return None
    is_opened = now.is_sealed and scene.opened is not None and scene.opened.is_open
    # what opens belongs to a registration that was heard
    if not is_opened and not now.time_s - before.time_s <= _FRESH_S:
        return None
    frames, source_text = (before.frame, scene.number), str(datagram.header.source)
    evidence = (f"frame {before.frame}: {before.number}; frame {scene.number}: {number}",)
    cause = "notifications do not have higher numbers than those before"
    if not now.is_sealed:
        if 0 < (number - before.number) % (2 * _HALF) < _HALF:
            return None
        return (Hit(f"{cause} (Observe)", evidence, source_text, frames),)
    # the same number once more is a notification that comes again, or another finding
    again = (
        scene.begun is not None and scene.begun.number != scene.number and head.type != CoapType.ACK
    )
    if number >= before.number or again:
        return None
    text = f"{cause} (Partial IV)"
    return (Hit(text, evidence, source_text, frames, advice=_SEALED_ADVICE, cite=_OF_OSCORE),)


def _number_of(octets: bytes) -> int | None:
    """Return the number of a notification in the clear; None of anything else."""
    try:
        option = coap.decode(Reader(octets)).first(OBSERVE)
    except WireError:
        return None
    return None if option is None else int.from_bytes(option.octets, "big")


def _sealed_number_of(message: CoapMessage) -> int | None:
    """Return the number of a sealed notification: its Partial IV, which clients order by; None of anything else.

    They "SHALL ignore the Outer Observe option value", and the inner one is empty (RFC 8613 section 4.1.3.5.2). The
    first may have none.
    """
    option = message.first(OSCORE)
    if option is None or message.first(OBSERVE) is None:
        return None
    try:
        return oscore.decode(Reader(option.octets)).sequence
    except WireError:
        return None  # told where the message is read
