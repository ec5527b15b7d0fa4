"""What comes a second time: open frames with their old numbers, and what ends seal for each other.

One tag is of one content, whatever the key. Of what ends seal only what its source sends itself is looked at: what
others pass on comes again for many reasons.
"""

from hashlib import blake2b
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.capture.follow.parts import Settled, Suspect
from lowpanbudget.capture.follow.protection import begins_sealed
from lowpanbudget.capture.recent import Recent
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import WireError
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.exchanges import message_carried
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.registry import OBSERVE, OSCORE
from lowpanbudget.layers.internet.coap.times import EXCHANGE_LIFETIME_S, MAX_TRANSMIT_SPAN_S
from lowpanbudget.layers.internet.dtls.content import ContentType
from lowpanbudget.layers.internet.oscore import option as oscore
from lowpanbudget.values import dataclass, field

REPLAYS = Subject("replays", across=True)

_MOST = 4096  # contents that are remembered
_TAG = 8  # octets that every tag of OSCORE has (RFC 9053 section 4, from memory)
_CLOCKS_S = 1.0  # less lies between two receivers whose captures were put together; our choice
_REQUEST, _NOTIFICATION = rfc(8613, "7.4"), rfc(8613, "7.4.1")
_RECORD_1_2, _RECORD_1_3 = rfc(6347, "4.1.2.6"), rfc(9147, "4.5.1")
_RECORDS = (
    "Look whether the other end drops it: DTLS may look for replays and need not. Find out who sends: a node seals "
    "anew what it says again, so this is another, or a stack that sends on what it kept."
)


@REPLAYS.rule("open-frame-replayed", Settled)
def open_frame_replayed(scene: Scene, settled: Settled) -> Hits:
    """Tell of the frames that this one shows to be old ones: their sender goes on as if they were not there."""
    if settled.are_old and scene.security is None:  # of secured ones their counters tell
        goes_on = (
            f"frame {scene.number} of its sender goes on with sequence number {scene.sequence}"
        )
        for one in settled.suspects:
            yield _replayed(scene, one, goes_on)


def _replayed(scene: Scene, one: Suspect, goes_on: str) -> Hit:
    cause = (
        "frames come again with their old numbers, and their sender goes on behind its newest one"
    )
    which = f"sequence number {one.sequence} in frames {one.first} and {one.number}"
    told = f"{which}, {seconds_text(one.past_ns / 1e9)} apart: equal octet for octet"
    return Hit(cause, (told, goes_on), scene.sender, (one.first, one.number))


class _First(NamedTuple):
    """When a content came first, in which frame, and in which message of CoAP."""

    time_s: float
    number: int
    mid: int = 0
    token: bytes = b""


@dataclass(slots=True)
class _Contents:
    """Contents by their digests, with their ends; and the last request between two ends, client first."""

    first: Recent[bytes, _First] = field(default_factory=lambda: Recent(_MOST))
    asked: Recent[tuple[int, int], int] = field(default_factory=Recent)

    def before(self, datagram: HeardDatagram, octets: bytes, now: _First) -> _First | None:
        """Return where these octets came first between these ends; None where that is now."""
        source, destination = datagram.header.source.packed, datagram.destination.packed
        key = blake2b(source + destination + octets, digest_size=16).digest()
        first = self.first.setdefault(key, now)
        return None if first is now else first


def _is_looked_at(scene: Scene, datagram: HeardDatagram) -> bool:
    own = scene.passage is None and scene.from_its_source(datagram.header)
    return own and not datagram.is_sum_wrong


@REPLAYS.rule("sealed-content-replayed", HeardDatagram, memory=_Contents, concerns=concerns.oscore)
def message_replayed(memory: _Contents, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Compare with messages before: one that CoAP sends again has the message ID and token that it had."""
    message, head = message_carried(datagram), datagram.coap_head
    option = None if message is None else message.first(OSCORE)
    if message is None or head is None or option is None or not option.octets:
        return None  # an answer under the nonce of its request, which may be asked for again
    ends = datagram.ends
    if message.is_request:
        memory.asked.renew(ends, scene.number)
    if not _is_looked_at(scene, datagram) or not _has_number_of_its_own(message, option.octets):
        return None
    now = _First(scene.time_s, scene.number, head.mid, head.token)
    # what stands around both may be other, as a proxy writes it
    before = memory.before(datagram, option.octets + datagram.udp_octets[-_TAG:], now)
    if before is None:
        return None
    if not message.is_request and memory.asked.get(ends[::-1], 0) > before.number:
        return None  # to a registration that is itself replayed the last answer MAY be given again (4.1.3.5.1)
    same = (before.mid, before.token) == (head.mid, head.token)
    if not now.time_s - before.time_s >= (EXCHANGE_LIFETIME_S if same else _CLOCKS_S):
        return None
    way = "long behind its lifetime" if same else "in another message of CoAP"
    try:
        told = f"Partial IV {oscore.decode(Reader(option.octets)).sequence} with one tag"
    except WireError:
        return None  # told where the message is read
    cite = _REQUEST if message.is_request else _NOTIFICATION
    return (_hit(f"a sealed message comes again, {way}", told, datagram, before, now, cite),)


def _has_number_of_its_own(message: CoapMessage, option: bytes) -> bool:
    """Return whether a message has a Partial IV that nobody else may send again: proxies do so with registrations."""
    if not oscore.flags_of(option).piv_octets:
        return False
    return not message.is_request or message.first(OBSERVE) is None


@REPLAYS.rule("sealed-content-replayed", HeardDatagram, memory=_Contents, concerns=concerns.dtls)
def record_replayed(memory: _Contents, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Compare with records before: none is sent again, not even by CoAP, later than any retry of a link."""
    octets = datagram.udp_octets
    # the first frame of each kind is asked, whatever port its datagram has
    if not (begins_sealed(octets) and concerns.dtls(scene) and _is_looked_at(scene, datagram)):
        return None
    now = _First(scene.time_s, scene.number)
    before = memory.before(datagram, octets, now)
    if before is None or not now.time_s - before.time_s > MAX_TRANSMIT_SPAN_S:
        return None
    cite = _RECORD_1_2 if octets[0] in {ContentType.APPLICATION, ContentType.CID} else _RECORD_1_3
    hit = _hit(
        "a sealed record comes again",
        "one DTLS record, octet for octet,",
        datagram,
        before,
        now,
        cite,
    )
    return (hit._replace(severity=Severity.REMARK, advice=_RECORDS),)


def _hit(
    cause: str, told: str, datagram: HeardDatagram, before: _First, now: _First, cite: Cite
) -> Hit:
    frames = before.number, now.number
    apart = seconds_text(now.time_s - before.time_s)
    evidence = f"{told} in frames {frames[0]} and {frames[1]}, {apart} apart"
    return Hit(cause, (evidence,), str(datagram.header.source), frames, cite=cite)
