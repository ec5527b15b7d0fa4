"""Records of DTLS as anybody sees them: data in the clear, and alerts that end an association."""

from collections import Counter
from ipaddress import IPv6Address

from lowpanbudget.bits import Reader
from lowpanbudget.errors import WireError, plural
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.heard_headers import Ends
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import octets_text
from lowpanbudget.layers.internet.dtls.content import (
    ALERT_NAMES,
    CLIENT_HELLO,
    FATAL,
    Alert,
    ContentType,
    Handshake,
    decode_content,
)
from lowpanbudget.layers.internet.dtls.record import DtlsRecord
from lowpanbudget.values import dataclass, field

RECORDS = Subject("records")


def _in_clear(datagram: HeardDatagram, kind: ContentType) -> list[DtlsRecord]:
    """Return the records of this content type that nothing protects."""
    records = (one for one in datagram.layers if isinstance(one, DtlsRecord))
    return [one for one in records if one.content_type == kind and not one.sealed]


@RECORDS.rule("records-in-clear", HeardDatagram, varies=True, concerns=concerns.records)
def records_in_clear(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Look for data in epoch 0, once on their way: "unencrypted messages" are there, hellos and what follows them."""
    records = _in_clear(datagram, ContentType.APPLICATION)
    if not records or scene.passage is not None:
        return None
    cause = "application data go in epoch 0 of DTLS, where nothing is protected"
    octets = octets_text(sum(len(one.fragment) for one in records))
    evidence = (f"frame {datagram.numbers[0]}: content type 23 in epoch 0, {octets}",)
    source = str(datagram.header.source)
    return (Hit(cause, evidence, source, datagram.numbers, times=len(records)),)


_LEAST = 3  # alerts that weigh, whatever else was heard; our choice
_RANDOM = slice(2, 34)  # of a client hello: behind the version (RFC 5246 section 7.4.1.2)


@dataclass(slots=True)
class _Association:
    """What a client and a server said in the clear: handshakes that the client began, fatal alerts of either.

    ``random`` is that of the last hello: one with a cookie, and one that is sent again, has it again (RFC 6347 section
    4.2.1).
    """

    random: bytes = b""
    begun: int = 0
    alerts: dict[Ends, Counter[int]] = field(default_factory=dict)
    frames: dict[Ends, Frames] = field(default_factory=dict)


Associations = FirstNamed[tuple[Ends, int, int], _Association]  # ends in order of size, their ports


@RECORDS.rule("dtls-alert-fatal", HeardDatagram, memory=FirstNamed, concerns=concerns.records)
def alert_sent(memory: Associations, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Note hellos and alerts in the clear, once on their way."""
    content = datagram.udp
    hellos = _in_clear(datagram, ContentType.HANDSHAKE)
    alerts = _in_clear(datagram, ContentType.ALERT)
    if content is None or scene.passage is not None or not (hellos or alerts):
        return None
    ends, ports = datagram.ends, (content.source_port, content.destination_port)
    key = (ends, *ports) if ends[0] < ends[1] else (ends[::-1], *ports[::-1])
    association = memory.entry(key, _Association)
    if association is None:
        return None
    for message in (message for record in hellos for message in _contents(record)):
        if isinstance(message, Handshake) and message.type == CLIENT_HELLO and not message.offset:
            random = message.body[_RANDOM]
            association.begun += random != association.random
            association.random = random
    messages = (message for record in alerts for message in _contents(record))
    fatal = [one for one in messages if isinstance(one, Alert) and one.level == FATAL]
    if not fatal:
        return None
    association.alerts.setdefault(ends, Counter()).update(one.description for one in fatal)
    association.frames.setdefault(ends, Frames()).note(*datagram.numbers[:1])
    return (Hit("", (), str(datagram.header.source), datagram.numbers),)


def _contents(record: DtlsRecord) -> tuple[object, ...]:
    try:
        contents = decode_content(Reader(record.fragment), record.content_type)
    except WireError:  # it is told where the datagram is read
        return ()
    return contents if isinstance(contents, tuple) else ()


@RECORDS.at_end("dtls-alert-fatal")
def dtls_alert_fatal(memory: Associations, _known: Surroundings) -> Hits:
    """Tell of each end that sends them; one among handshakes that went well is a remark."""
    for association in memory.values():
        for (source, destination), alerts in association.alerts.items():
            total, begun = alerts.total(), association.begun
            heard = f", {plural(begun, 'handshake')} begun" if begun else ""
            cause = f"{plural(total, 'fatal alert')} to {IPv6Address(destination)}{heard}"
            evidence = tuple(
                f"{ALERT_NAMES.get(number, 'unassigned')} ({number}): {count}"
                for number, count in alerts.most_common()
            )
            severity = None if total >= _LEAST or total >= begun else Severity.REMARK
            frames = tuple(association.frames[source, destination])
            yield Hit(cause, evidence, str(IPv6Address(source)), frames, severity, times=total)
