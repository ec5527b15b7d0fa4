"""Message IDs of CoAP: which message had each first, and whether another one took it too soon."""

from lowpanbudget.bits import Reader
from lowpanbudget.capture.recent import Recent
from lowpanbudget.errors import WireError
from lowpanbudget.findings import checksum, concerns
from lowpanbudget.findings.datagrams import CoapHead, HeardDatagram, MessageBegun
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.codes import CoapType
from lowpanbudget.layers.internet.coap.times import EXCHANGE_LIFETIME_S, NON_LIFETIME_S

MESSAGE_IDS = Subject("message-ids")

_LIFETIMES_S = {CoapType.CON: EXCHANGE_LIFETIME_S, CoapType.NON: NON_LIFETIME_S}

# who sends to whom, from and to which port, under which message ID; records of DTLS apart, whose epochs have IDs of
# their own (RFC 7252 section 9.1.1)
Begun = Recent[tuple[int, int, int, int, int], MessageBegun]


@MESSAGE_IDS.rule("message-id-reused", HeardDatagram, memory=Recent, concerns=concerns.coap)
def message_id_reused(memory: Begun, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Note each message that has an ID of its own; compare those that come under it again, octet by octet."""
    head, content = datagram.coap_head, datagram.udp
    if head is None or content is None or datagram.headers.has_records:
        return None
    ends = datagram.ends
    ports = content.source_port, content.destination_port
    if head.type not in _LIFETIMES_S:
        scene.begun = memory.get((*ends[::-1], *ports[::-1], head.mid))
        return None
    key, octets = (*ends, *ports, head.mid), datagram.udp_octets
    before = memory.get(key)
    age_s = 0.0 if before is None else scene.time_s - before.time_s
    lives = before is not None and not age_s > _LIFETIMES_S[CoapType(before.head.type)]
    if before is not None and lives and (before.octets == octets or scene.passage is not None):
        scene.begun = before
        return None
    # without times nobody knows how long ago the other was; a wrong checksum proves nothing of what was sent
    reused = before is not None and lives and age_s >= 0 and not checksum.is_wrong(datagram.octets)
    opened = scene.opened
    inside = None if opened is None or not opened.is_open else opened.message
    scene.begun = MessageBegun(head, octets, scene.time_s, scene.number, reused, inside)
    memory.renew(key, scene.begun)
    if before is None or not reused:
        return None
    lifetime_s = _LIFETIMES_S[CoapType(before.head.type)]
    cause = f"different messages come under one message ID within {lifetime_s} s"
    told = (
        f"{head.mid:#06x} in frames {before.number} and {scene.number}, {seconds_text(age_s)} apart"
    )
    evidence = (f"message ID {told}: {_differences(before, head, octets)}",)
    frames = before.number, scene.number
    return (Hit(cause, evidence, str(datagram.header.source), frames),)


def _differences(before: MessageBegun, head: CoapHead, octets: bytes) -> str:
    """Return what differs between two messages, in words."""
    differ = ["token"] if before.head.token != head.token else []
    try:
        one, other = coap.decode(Reader(before.octets)), coap.decode(Reader(octets))
    except WireError:
        return "other octets"
    differ += ["code"] if one.code != other.code else []
    names = (option.name for option in {*one.options} ^ {*other.options})
    differ += sorted(set(names))
    differ += ["payload"] if one.payload != other.payload else []
    return f"other {', '.join(differ)}" if differ else "other octets"
