"""CoAP: its messages and exchanges, and what they carry."""

import struct
from collections.abc import Iterator
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.capture.recent import Recent
from lowpanbudget.cites import rfc
from lowpanbudget.env import link_text
from lowpanbudget.errors import WireError
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import CoapHead, HeardDatagram, UdpContent
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.block import Block
from lowpanbudget.layers.internet.coap.codes import CoapType
from lowpanbudget.layers.internet.coap.flaws import coap_flaws
from lowpanbudget.layers.internet.coap.registry import BLOCK1, BLOCK2
from lowpanbudget.layers.internet.coap.times import (
    ACK_TIMEOUT_S,
    EXCHANGE_LIFETIME_S,
    MAX_TRANSMIT_SPAN_S,
)
from lowpanbudget.values import dataclass, field

USEFUL_TOKEN = 4  # octets: the 32 bits of randomness of RFC 7252 section 5.3.1
_CONTENT_FORMAT = 12  # RFC 7252 section 12.2
# CBOR, SenML+CBOR, SensML+CBOR, CBOR sequence (from memory)
_CBOR_FORMATS = {60, 112, 113, 63, 11060}
_WIDE_FLOAT = 0xFB  # the first octet of a 64-bit float (RFC 8949 section 3.3)

APPLICATION = Subject("application")

_MAY_BE_REJECTED = (
    "See that its receivers know the option: one that does not answers a confirmable request with 4.02 and rejects "
    "other messages. Options of even numbers are ignored where they are not known."
)


@APPLICATION.rule("coap-message-forbidden", coap.CoapMessage)
def coap_message_forbidden(scene: Scene, message: coap.CoapMessage) -> Hits:
    """Take the flaws of a message."""
    for flaw in coap_flaws(message):
        evidence: tuple[str, ...] = ()
        if flaw.option is not None:
            octets = flaw.option.octets[:16].hex(" ")
            evidence = (f"option {flaw.option.number}: {octets}",)
        severity = Severity.WASTE if flaw.wasteful else Severity.REMARK if flaw.allowed else None
        subject = f"{scene.sender}: {flaw.text}"
        advice = _MAY_BE_REJECTED if flaw.allowed else ""
        yield Hit(flaw.text, evidence, subject, severity=severity, advice=advice, cite=flaw.cite)


@APPLICATION.rule("token-longer-than-useful", coap.CoapMessage, least=5)
def token_longer_than_useful(scene: Scene, message: coap.CoapMessage) -> Hits:
    """Measure the token of requests."""
    over = len(message.token) - USEFUL_TOKEN
    if over > 0 and message.is_request:
        cause = f"tokens of {len(message.token)} octets, {over} over what guards an open request"
        yield Hit(cause, (), scene.sender)


@APPLICATION.rule("block-still-fragmented", coap.CoapMessage)
def block_still_fragmented(scene: Scene, message: coap.CoapMessage) -> Hits:
    """Look at the option that describes this payload, and at the frames it took."""
    datagram = scene.datagram
    if datagram is None or datagram.fragments < 2 or not message.payload:
        return
    for option in filter(None, map(message.first, (BLOCK2, BLOCK1))):
        if isinstance(option.value, Block) and option.value.szx < 7:
            cause = f"a block of {option.value.size} octets took {datagram.fragments} frames"
            evidence = (f"datagram of {len(datagram.octets)} octets",)
            yield Hit(cause, evidence, scene.sender, datagram.numbers)
            return


def _coap(datagram: HeardDatagram, kind: CoapType) -> tuple[UdpContent, CoapHead] | None:
    """Return ports and first fields of a datagram with a CoAP message of this type; None of any other."""
    head = datagram.coap_head
    if head is None or head.type != kind:
        return None
    content = datagram.udp
    return None if content is None else (content, head)


class _Request(NamedTuple):
    """When and where a confirmable message was sent last, when first, and with which hop limit."""

    time_s: float
    first_s: float
    number: int
    link: bytes | None
    hop_limit: int


@dataclass(slots=True)
class _Repeats:
    """How often a sender sent messages again, how often early and late, the shortest time between, and some frames."""

    shortest_s: float
    count: int = 0
    early: int = 0
    late: int = 0
    numbers: Frames = field(default_factory=Frames)


@dataclass(slots=True)
class Requests:
    """Confirmable messages by both addresses, both ports and message ID; repeats by link source."""

    sent: Recent[tuple[int, int, int, int, int], _Request] = field(default_factory=Recent)
    repeats: FirstNamed[bytes | None, _Repeats] = field(default_factory=FirstNamed)


@APPLICATION.rule("request-repeated", HeardDatagram, memory=Requests, concerns=concerns.coap)
def request_sent(memory: Requests, scene: Scene, datagram: HeardDatagram) -> None:
    """Compare each confirmable message with the last of its message ID."""
    exchange = _coap(datagram, CoapType.CON)
    if exchange is None:
        return
    content, head = exchange
    ends = datagram.ends
    key = (*ends, content.source_port, content.destination_port, head.mid)
    before, link = memory.sent.get(key), datagram.link_source
    is_over = before is None or scene.time_s - before.time_s > EXCHANGE_LIFETIME_S
    if before is None or is_over or scene.takes_used_id:
        now_s, limit = scene.time_s, datagram.outer.hop_limit
        memory.sent[key] = _Request(now_s, now_s, scene.number, link, limit)
        return
    # without link addresses the hop limit alone tells a next hop
    is_unnamed_hop = link is None and datagram.outer.hop_limit < before.hop_limit
    if before.link != link or scene.passage is not None or is_unnamed_hop:
        return  # the same datagram on its next hop, or in a loop
    gap_s = scene.time_s - before.time_s
    memory.sent[key] = before._replace(time_s=scene.time_s)
    repeats = memory.repeats.entry(link, lambda: _Repeats(gap_s))
    if repeats is not None:
        repeats.count += 1
        repeats.early += gap_s < ACK_TIMEOUT_S
        repeats.late += scene.time_s - before.first_s > MAX_TRANSMIT_SPAN_S
        repeats.shortest_s = min(repeats.shortest_s, gap_s)
        repeats.numbers.note(before.number, scene.number)


@APPLICATION.at_end("request-repeated")
def request_repeated(memory: Requests, known: Surroundings) -> Hits:
    """Judge each sender; what only repeats requests that have no answer is told with those."""
    for link, repeats in memory.repeats.items():
        if repeats.early >= 3 or repeats.count - known.asked_again[link] >= 3:
            name = link_text(link)
            severity = Severity.RISK if repeats.early >= 3 else Severity.REMARK
            early = f"{repeats.early} of them in less than {ACK_TIMEOUT_S:g} s"
            cause = f"{name} sent messages again {repeats.count} times, {early}"
            evidence = (f"shortest time between: {repeats.shortest_s:.2f} s",)
            hit = Hit(cause, evidence, name, tuple(repeats.numbers), severity)
            if repeats.late >= 3 and not repeats.early:
                late = f"{repeats.late} of them later than {MAX_TRANSMIT_SPAN_S} s behind the first"
                cause = f"{name} sent messages again {repeats.count} times, {late}"
                hit = hit._replace(cause=cause, advice=_LATE, cite=rfc(7252, "4.8.2"))
            yield hit


_LATE = (
    "No retransmission comes so late, unless ACK_TIMEOUT or MAX_RETRANSMIT was raised. Else look what keeps a message "
    "that was answered and sends it again, such as a queue or a store of the node, or who else sends it; and whether "
    "the receiver takes it for new: it may forget the message ID 247 s behind the first."
)


class _Answer(NamedTuple):
    """An acknowledgement that carried an answer; ``asked`` is the frame of the request, where that was heard."""

    octets: bytes
    token: bytes
    asked: int | None
    code: int
    time_s: float
    number: int
    link: bytes | None


Answers = Recent[tuple[int, int, int, int], _Answer]  # by addresses, port and message ID


@APPLICATION.rule("request-answered-twice", HeardDatagram, memory=Recent, concerns=concerns.coap)
def request_answered_twice(memory: Answers, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Compare acknowledgements that carry an answer."""
    exchange = _coap(datagram, CoapType.ACK)
    if exchange is None or exchange[1].code < 64:
        return None
    content, head = exchange
    link = datagram.link_source
    key = (
        *datagram.ends,
        content.destination_port,
        head.mid,
    )
    before = memory.get(key)
    asked = None if scene.begun is None else scene.begun.number
    is_other = before is not None and (before.token, before.asked) != (head.token, asked)
    is_over = before is None or scene.time_s - before.time_s > EXCHANGE_LIFETIME_S
    if before is None or is_over or is_other or before.link != link:
        answer = _Answer(
            content.payload, head.token, asked, head.code, scene.time_s, scene.number, link
        )
        memory[key] = answer
        return None
    if before.octets == content.payload:
        return None
    codes = " and ".join(f"{code >> 5}.{code & 31:02d}" for code in (before.code, head.code))
    cause = f"message ID {head.mid:#06x} got two different answers"
    return (Hit(cause, (f"codes {codes}",), scene.sender, (before.number, scene.number)),)


@APPLICATION.rule(
    "float-wider-than-needed", HeardDatagram, varies=True, least=3, concerns=concerns.coap
)
def float_wider_than_needed(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Walk the items of a CBOR payload."""
    content = datagram.udp
    if content is None or datagram.is_dropped or not content.is_coap:
        return None
    if _WIDE_FLOAT not in content.payload:
        return None
    try:
        message = coap.decode(Reader(content.payload))
    except WireError:
        return None
    option = message.first(_CONTENT_FORMAT)
    if option is None or option.value not in _CBOR_FORMATS:
        return None
    wide = [
        (octets, spare)
        for octets in wide_floats(message.payload)
        if (spare := spare_octets(octets))
    ]
    if wide:
        octets, spare = wide[0]
        (value,) = struct.unpack(">d", octets)
        first = f"{_WIDE_FLOAT:02x} {octets.hex(' ')} is {value!r}, {9 - spare} octets would do"
        cause = f"{sum(spare for _, spare in wide)} octets of the payload only widen floats"
        return (Hit(cause, (first,), scene.sender),)
    return None


def spare_octets(octets: bytes) -> int:
    """Return how many octets a 64-bit float could do without at the same value."""
    (value,) = struct.unpack(">d", octets)
    for form, spare in ((">e", 6), (">f", 4)):
        try:
            if struct.unpack(form, struct.pack(form, value))[0] == value:
                return spare
        except OverflowError:
            continue
    return 0


def wide_floats(octets: bytes) -> Iterator[bytes]:
    """Yield the 64-bit floats of CBOR items, read as far as they are well formed (RFC 8949 appendix C)."""
    at = 0
    while at < len(octets):
        head = octets[at]
        major, low = head >> 5, head & 31
        at += 1
        extra = {24: 1, 25: 2, 26: 4, 27: 8}.get(low, 0)
        if 28 <= low <= 30 or at + extra > len(octets):
            return
        value = int.from_bytes(octets[at : at + extra], "big") if extra else low
        if head == _WIDE_FLOAT:
            yield octets[at : at + 8]
        at += extra
        if major in {2, 3} and low != 31:
            at += value  # strings: their octets are no items
