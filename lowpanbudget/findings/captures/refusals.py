"""Requests of CoAP that are refused: by codes of errors, and by Resets."""

from collections import Counter
from ipaddress import IPv6Address

from lowpanbudget.capture.recent import Recent
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.exchanges import message_answered, message_heard
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.refused import INCOMPLETE, RefusedRequests
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet.coap.codes import (
    CoapType,
    class_of,
    coap_code,
    code_text,
    is_request,
    is_response,
)
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.registry import BLOCK1, ECHO, OBSERVE
from lowpanbudget.layers.internet.coap.times import EXCHANGE_LIFETIME_S
from lowpanbudget.values import dataclass, field

REFUSALS = Subject("refusals")

_FEW = 3  # requests that tell; our choice
_MOST_KINDS = 16  # of refusals that are told apart with what was asked
_LONGEST = 40  # characters of a path that is told
_SUCCESS = 2
_ERRORS = {4, 5}  # "All other class values are reserved" (RFC 7252 section 3)
_UNAUTHORIZED, _PRECONDITION, _TOO_LARGE = map(coap_code, ("4.01", "4.12", "4.13"))


@dataclass(slots=True)
class _AnsweredRequests:
    """What a client got back from a server: answers and Resets in all, and refusals by what they say.

    ``incomplete`` are those for whose body blocks were missing, ``for_a_while`` knows which went through later.
    """

    total: int = 0
    incomplete: int = 0
    for_a_while: RefusedRequests = field(default_factory=RefusedRequests)
    kinds: Counter[str] = field(default_factory=Counter)
    frames: Frames = field(default_factory=Frames)


@dataclass(slots=True)
class _AnswersHeard:
    """What came back by client, server and its port; the answers heard last, for one may come again."""

    by_ends: FirstNamed[tuple[int, int, int], _AnsweredRequests] = field(default_factory=FirstNamed)
    heard: Recent[tuple[int, int, int, int, int, bool], float] = field(default_factory=Recent)


@REFUSALS.rule("request-refused", HeardDatagram, memory=_AnswersHeard, concerns=concerns.coap)
def request_answered(memory: _AnswersHeard, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Note answers and Resets to requests, each once."""
    head, content = datagram.coap_head, datagram.udp
    if head is None or content is None or scene.passage is not None:
        return None
    is_reset = head.type == CoapType.RST
    if not is_reset and not is_response(head.code):
        return None
    if is_reset and (scene.begun is None or not is_request(scene.begun.head.code)):
        return None  # of a notification that is not wanted any more, or of a ping (RFC 7252 section 4.3)
    ends = datagram.ends
    ports = content.source_port, content.destination_port
    key = (*ends, *ports, head.mid, head.type in {CoapType.ACK, CoapType.RST})
    before_s = memory.heard.renew(key, scene.time_s)
    if before_s is not None and scene.time_s - before_s <= EXCHANGE_LIFETIME_S:
        return None
    is_plain = (
        head.type == CoapType.ACK and class_of(head.code) == _SUCCESS and scene.opened is None
    )
    message = None if is_plain else message_heard(scene, datagram)  # most are, and need no look
    code = head.code if message is None else message.code
    if head.type != CoapType.ACK and message is not None and message.first(OBSERVE) is not None:
        return None  # a notification, which may be one of many for a request
    to = ends[1], ends[0], content.source_port
    answered = memory.by_ends.entry(to, _AnsweredRequests)
    if answered is None:
        return None
    answered.total += 1
    if not is_reset and not _refuses(code, message):
        if answered.for_a_while.refused and class_of(code) == _SUCCESS:
            request = message_answered(scene)
            if request is not None and scene.begun is not None:
                answered.for_a_while.accept(request, scene.begun.time_s)
        return None
    request = message_answered(scene)
    if request is not None and message is not None and not is_reset:
        answered.for_a_while.refuse(request, message, scene.time_s)
    answered.incomplete += code == INCOMPLETE and not is_reset
    _count(answered.kinds, "Reset" if is_reset else code_text(code), request)
    answered.frames.note(*datagram.numbers[:1])
    return (Hit("", (), _subject(*to), datagram.numbers),)


def _refuses(code: int, message: CoapMessage | None) -> bool:
    """Return whether an answer refuses for good: not what a condition, a freshness test or a block size only asks for.

    4.12 answers a condition (RFC 7252 section 5.10.8), 4.01 with Echo wants the request once more (RFC 9175 section
    2.3, from memory), 4.13 with Block1 asks for smaller blocks (RFC 7959 section 2.9.3).
    """
    if class_of(code) not in _ERRORS or code == _PRECONDITION:
        return False
    asks = {_UNAUTHORIZED: ECHO, _TOO_LARGE: BLOCK1}.get(code)
    return asks is None or message is None or message.first(asks) is None


def _count(kinds: Counter[str], text: str, request: CoapMessage | None) -> None:
    if request is not None:
        path = request.path
        asked = path if len(path) <= _LONGEST else f"{path[:_LONGEST]}..."
        asked_for = f"{text} to {code_text(request.code).partition(' ')[2]} {asked}".rstrip()
        if asked_for in kinds or len(kinds) < _MOST_KINDS:
            text = asked_for
    kinds[text] += 1


def _subject(client: int, server: int, port: int) -> str:
    return f"{IPv6Address(client)} to {IPv6Address(server)} on port {port}"


@REFUSALS.at_end("request-refused")
def request_refused(memory: _AnswersHeard, _known: Surroundings) -> Hits:
    """Judge each client and server: a risk where most are refused for good, or several bodies are."""
    for (client, server, port), answered in memory.by_ends.items():
        refused = answered.kinds.total()
        if refused < _FEW and not answered.incomplete:
            continue
        overcome = answered.for_a_while.overcome
        lasting = refused - overcome.total()
        weighs = lasting * 2 > answered.total or answered.incomplete - overcome[INCOMPLETE] >= _FEW
        severity = None if weighs and lasting >= _FEW else Severity.REMARK
        subject = _subject(client, server, port)
        cause = (
            f"{IPv6Address(server)} refuses {refused} of {answered.total} requests on port {port}"
        )
        evidence = [f"{text}: {count}" for text, count in answered.kinds.most_common()]
        if overcome:
            evidence.append(f"for a while: {overcome.total()}, and then the same went through")
        yield Hit(cause, tuple(evidence), subject, tuple(answered.frames), severity, times=refused)
