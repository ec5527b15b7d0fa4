"""Observations of CoAP: whether servers let clients go, look for them, and keep them fresh."""

from ipaddress import IPv6Address

from lowpanbudget.capture.recent import Recent
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import CoapHead, HeardDatagram, UdpContent
from lowpanbudget.findings.exchanges import message_answered, message_heard
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.memory import Frames
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.internet.coap.codes import CoapType, is_request, is_response
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.registry import MAX_AGE, OBSERVE, OSCORE
from lowpanbudget.layers.internet.coap.times import MAX_AGE_S
from lowpanbudget.values import dataclass, field

OBSERVATIONS = Subject("observations")

_FEW = 3  # of whatever tells; our choice
_DAY_S = 24 * 3600  # RFC 7641 section 4.5
_WAIT_S = 15  # that a client may wait behind Max-Age before it asks anew (RFC 7641 section 3.3.1)

_Observation = tuple[int, int, int, bytes]  # server, client, its port and token


def _observation(
    datagram: HeardDatagram, content: UdpContent, token: bytes, *, by_client: bool
) -> _Observation:
    """Return what a datagram between client and server belongs to, if it does."""
    ends = datagram.ends
    server, client = ends[::-1] if by_client else ends
    port = content.source_port if by_client else content.destination_port
    return server, client, port, token


def _notification(scene: Scene, datagram: HeardDatagram, head: CoapHead) -> CoapMessage | None:
    """Return the notification in a datagram, where it is heard first; None of anything else."""
    if not is_response(head.code) or scene.passage is not None:
        return None
    if scene.begun is not None and scene.begun.number != scene.number and head.type != CoapType.ACK:
        return None  # the same sent again
    message = message_heard(scene, datagram)
    return None if message is None or message.first(OBSERVE) is None else message


@dataclass(slots=True)
class _Rejected:
    """Notifications of an observation that the client rejected, each sent behind the Reset before; when that came."""

    reset_s: float
    count: int = 1
    frames: Frames = field(default_factory=Frames)


Rejections = Recent[_Observation, _Rejected]


@OBSERVATIONS.rule("notification-after-reset", HeardDatagram, memory=Recent, concerns=concerns.coap)
def notification_after_reset(
    memory: Rejections, scene: Scene, datagram: HeardDatagram
) -> Hits | None:
    """Note Resets to notifications; a new registration begins anew."""
    head, content, begun = datagram.coap_head, datagram.udp, scene.begun
    if head is None or content is None or scene.passage is not None:
        return None
    if memory and is_request(head.code):
        memory.pop(_observation(datagram, content, head.token, by_client=True), None)
    if head.type != CoapType.RST or begun is None or not is_response(begun.head.code):
        return None
    rejected = message_answered(scene)
    if rejected is None or rejected.first(OBSERVE) is None:
        return None
    key = _observation(datagram, content, begun.head.token, by_client=True)
    before = memory.get(key)
    if before is None:
        before = memory[key] = _Rejected(scene.time_s)
    elif begun.time_s > before.reset_s:  # what was on its way then goes on for nobody's fault
        before.count += 1
        before.reset_s = scene.time_s
    else:
        return None
    before.frames.note(begun.number, scene.number)
    if before.count < _FEW:
        return None
    cause = "notifications go on behind Resets that reject those before"
    evidence = (f"token {begun.head.token.hex()}: {_FEW} or more, each behind a Reset",)
    server, frames = str(datagram.destination), tuple(before.frames)
    return (Hit(cause, evidence, server, frames, times=_FEW if before.count == _FEW else 1),)


@dataclass(slots=True)
class _LastConfirmed:
    """When a client was last asked whether it is still there, in which frame; notifications a day after that."""

    time_s: float
    number: int
    late: int = 0


Confirmations = Recent[_Observation, _LastConfirmed]


@OBSERVATIONS.rule(
    "notification-never-confirmable", HeardDatagram, memory=Recent, concerns=concerns.observe
)
def notification_never_confirmable(
    memory: Confirmations, scene: Scene, datagram: HeardDatagram
) -> Hits | None:
    """Note when each client last showed that it is there, or was asked."""
    head, content = datagram.coap_head, datagram.udp
    if head is None or content is None:
        return None
    if is_request(head.code):
        memory.pop(_observation(datagram, content, head.token, by_client=True), None)
        return None
    if _notification(scene, datagram, head) is None:
        return None
    key = _observation(datagram, content, head.token, by_client=False)
    before = memory.get(key)
    if before is None or head.type != CoapType.NON:
        memory.renew(key, _LastConfirmed(scene.time_s, scene.number))
        return None
    silent_s = scene.time_s - before.time_s
    if not silent_s > _DAY_S:
        return None
    before.late += 1
    if before.late < 2:  # the one that falls due may be on its way: one notification of grace
        return None
    cause = "a client is not asked for a confirmation within 24 hours of notifications"
    late = f"frame {scene.number}: {silent_s / 3600:.1f} h later"
    evidence = (f"frame {before.number}: confirmable, or the first heard; {late}",)
    frames = before.number, scene.number
    return (Hit(cause, evidence, str(datagram.header.source), frames),)


@dataclass(slots=True)
class _Freshness:
    """When the last notification of an observation came, and until when it is fresh; how often the next was late.

    ``time_s`` is None where nothing is to be fresh.

    ``stale_s`` of ``all_s`` nothing fresh was there, ``shortest_s`` is the least Max-Age of those that were late.
    """

    time_s: float | None = None
    max_age_s: int = MAX_AGE_S
    waits: int = 0
    late: int = 0
    stale_s: float = 0.0
    all_s: float = 0.0
    shortest_s: int = 0
    frames: Frames = field(default_factory=Frames)


Freshnesses = Recent[_Observation, _Freshness]


@OBSERVATIONS.rule("notification-stale", HeardDatagram, memory=Recent, concerns=concerns.observe)
def notification_came(memory: Freshnesses, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Compare how long each was said to be fresh with when the next came."""
    head, content = datagram.coap_head, datagram.udp
    if head is None or content is None:
        return None
    if is_request(head.code):  # the client asks itself
        before = memory.get(_observation(datagram, content, head.token, by_client=True))
        if before is not None:
            before.time_s = None
        return None
    message = _notification(scene, datagram, head)
    if message is None or message.first(OSCORE) is not None:  # what it says is sealed
        return None
    key = _observation(datagram, content, head.token, by_client=False)
    fresh = memory.get(key)
    if fresh is None:
        fresh = memory[key] = _Freshness()
    if fresh.time_s is not None:
        waited_s = scene.time_s - fresh.time_s
        fresh.waits += 1
        fresh.all_s += waited_s
        if waited_s > fresh.max_age_s + _WAIT_S:
            fresh.shortest_s = (
                min(fresh.shortest_s, fresh.max_age_s) if fresh.late else fresh.max_age_s
            )
            fresh.late += 1
            fresh.stale_s += waited_s - fresh.max_age_s
            fresh.frames.note(scene.number)
    option = message.first(MAX_AGE)
    said = None if option is None else option.value
    fresh.max_age_s = said if isinstance(said, int) else MAX_AGE_S
    # 0 is how a server says that nobody is to cache it (RFC 7252 section 5.6.1): it means none to be fresh
    fresh.time_s = scene.time_s if fresh.max_age_s else None
    return None


@OBSERVATIONS.at_end("notification-stale")
def notification_stale(memory: Freshnesses, _known: Surroundings) -> Hits:
    """Judge each observation in which most came late."""
    for (server, client, _, token), fresh in memory.items():
        if fresh.late >= _FEW and fresh.late * 2 > fresh.waits:
            share = fresh.stale_s / fresh.all_s
            cause = f"{fresh.late} of {fresh.waits} notifications come when the one before is older than its Max-Age"
            apart = seconds_text(fresh.all_s / fresh.waits)
            evidence = (
                f"nothing fresh for {share:.0%} of the time, the least Max-Age {fresh.shortest_s} s",
                f"{apart} between them on average",
            )
            subject = f"{IPv6Address(server)} to {IPv6Address(client)}, token {token.hex()}"
            yield Hit(cause, evidence, subject, tuple(fresh.frames), times=fresh.late)
