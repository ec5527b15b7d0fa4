"""Requests of CoAP and what comes back: answers, acknowledgements alone, or nothing.

What proves that nothing came: a confirmable request is sent again until something does (RFC 7252 section 4.2), so that
one sent again and never answered was heard to fail by its sender too. A non-confirmable one may stay without an answer,
and only one that does nothing but ask is looked at.
"""

from collections.abc import Iterator
from ipaddress import IPv6Address

from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram, coap_head
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.open_requests import OpenRequest, OpenRequests, RequestFates
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import Station, pan_of
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.internet.coap.codes import CoapType, is_request
from lowpanbudget.layers.internet.coap.times import (
    EXCHANGE_LIFETIME_S,
    MAX_TRANSMIT_WAIT_S,
)

REQUESTS = Subject("requests")

_GET, _FETCH = 1, 5  # RFC 7252 section 5.8.1, RFC 8132 section 2
_NO_RESPONSE = 258  # RFC 7967 section 2
_FEW, _FEW_UNCONFIRMED = 3, 5  # requests that tell; our choice


class Endpoints(FirstNamed[tuple[int, int, int], OpenRequests]):
    """What was asked, by the address of who asks, and address and port of who is asked."""


@REQUESTS.rule("request-never-answered", HeardDatagram, memory=Endpoints, concerns=concerns.coap)
def request_asked(memory: Endpoints, scene: Scene, datagram: HeardDatagram) -> None:
    """Note requests, and whatever comes back."""
    head, content = datagram.coap_head, datagram.udp
    if content is None:
        return
    if head is None:
        if datagram.is_dropped and content.is_coap and scene.passage is None:
            _note_dropped(memory, scene, datagram)
        return
    ends = datagram.ends
    back = memory.get((ends[1], ends[0], content.source_port))
    if back is not None and scene.passage is None:
        back.take(content.destination_port, head, scene.time_s)
    if not is_request(head.code) or datagram.destination.is_multicast:
        return
    if datagram.is_sum_wrong or (scene.passage is not None and scene.passage.is_astray):
        return  # it is not for whom it seems to be, or who gets it drops it: that is told
    confirmable = head.type == CoapType.CON
    if not confirmable and head.code not in {_GET, _FETCH}:
        return
    to = (*ends, content.destination_port)
    asked = memory.get(to) or memory.entry(to, lambda: OpenRequests(scene.time_s))
    if asked is None:
        return
    over: set[Station] = set()
    if scene.mac is not None and scene.mac.destination is not None:
        over = {(pan_of(scene.mac), scene.mac.destination)}
        asked.over |= over
    key, now_s = (content.source_port, head.mid), scene.time_s
    before, done = asked.open.get(key), asked.done.get(key)
    if scene.takes_used_id:
        before = done = None
    if before is not None and now_s - before.time_s <= EXCHANGE_LIFETIME_S:
        before.over |= over
        if before.link == datagram.link_source and scene.passage is None:
            before.repeated += 1
            asked.again[before.link] += 1
        return
    if done is not None and now_s - done[0] < EXCHANGE_LIFETIME_S:
        if done[2] and scene.passage is None:  # and asks again, for it dropped that
            scene.known.asked_again[datagram.link_source] += 1
        return  # it has its answer
    quiet, link = _wants_no_answer(scene, datagram), datagram.link_source
    if confirmable or not quiet:
        request = OpenRequest(now_s, scene.number, head.token, link, confirmable, quiet, over=over)
        asked.ask(key, request, scene.known.senders)


def _note_dropped(memory: Endpoints, scene: Scene, datagram: HeardDatagram) -> None:
    """Note an answer that whoever asked drops for its checksum: the server did answer, and the checksum is told."""
    content = datagram.udp
    head = None if content is None else coap_head(content.payload)
    if content is None or head is None:
        return
    back = memory.get((*datagram.ends[::-1], content.source_port))
    if back is not None and back.awaits(content.destination_port, head):
        back.take(content.destination_port, head, scene.time_s, dropped=True)


def _wants_no_answer(scene: Scene, datagram: HeardDatagram) -> bool:
    """Return whether a request says that it needs no answer of some class."""
    opened = () if scene.opened is None else (scene.opened.message,)
    messages = (*opened, *datagram.headers.messages)
    options = (one.first(_NO_RESPONSE) for one in messages if one is not None)
    return any(option is not None and option.value for option in options)


@REQUESTS.at_end("request-never-answered")
def request_never_answered(memory: Endpoints, known: Surroundings) -> Hits:
    """Judge each pair of endpoints, where all can be read."""
    if known.unread:
        return
    silent: dict[tuple[int, int], list[OpenRequests]] = {}
    answering = {(server, port) for (_, server, port), asked in memory.items() if asked.answered}
    for (_, server, port), asked in memory.items():
        for request in asked.open.values():
            asked.settle(request, known.end_s, known.senders)
        if _is_silent(asked, known.end_s):
            silent.setdefault((server, port), []).append(asked)
    for (client, server, port), asked in memory.items():
        subject, where = str(IPv6Address(client)), f"{IPv6Address(server)} on port {port}"
        if _is_silent(asked, known.end_s):
            total = sum(one.awaited for one in silent[server, port])
            cause = f"{IPv6Address(server)} answers none of {total} requests on port {port}"
            waited = seconds_text(known.end_s - asked.first_s)
            evidence = (
                f"the first {waited} before the capture ends",
                *_strays(asked),
                *_unheard(asked),
            )
            known.asked_again += asked.again
            frames, advice = tuple(asked.frames), _advice(asked, asked.awaited)
            # a server that answers others may be well
            about = (
                f"{subject} to {where}" if (server, port) in answering else str(IPv6Address(server))
            )
            hit = Hit(cause, evidence, about, frames, advice=advice, times=asked.awaited)
            if _is_way_back_unheard(asked, known):
                hit = hit._replace(evidence=(*evidence, _SENT_ONCE), advice=_UNHEARD)
                hit = hit._replace(severity=Severity.REMARK, certainty=Certainty.OPEN)
            yield hit
        else:
            yield from _in_part(known, asked, f"{subject} to {where}", where)
        yield from _unconfirmed(asked.unconfirmed, f"{subject} to {where}", where)


def _is_silent(asked: OpenRequests, end_s: float) -> bool:
    """Return whether nothing came back; an answer may come as long as a request is sent again."""
    waited = end_s - asked.first_s
    return not asked.answered and asked.awaited >= _FEW and waited > MAX_TRANSMIT_WAIT_S


def _is_way_back_unheard(asked: OpenRequests, known: Surroundings) -> bool:
    """Return whether nobody whom requests go to is heard, and none was sent again, as is what has no answer."""
    heard = any(one in known.senders or one in known.acknowledged for one in asked.over)
    return bool(asked.over) and not (heard or asked.strays or asked.again.total())


_SENT_ONCE = "none was sent again, and whom they were sent to is not heard here at all"
_UNHEARD = (
    "Capture where the node that is asked is heard as well. A client that has no answer sends again: one that does not "
    "has it, or waits for none."
)


def _in_part(known: Surroundings, asked: OpenRequests, subject: str, where: str) -> Iterator[Hit]:
    """Yield what is said of confirmable requests some of which were answered, or acknowledged."""
    missed, promised = asked.confirmed, asked.promised
    ended = missed.ended
    if missed.unanswered >= _FEW and (missed.repeated >= _FEW or missed.unanswered * 2 > ended):
        cause = f"{missed.unanswered} of {ended} requests to {where} have no answer"
        known.asked_again += missed.again
        evidence = (
            f"sent again: {missed.repeated} of them",
            *_dropped(asked),
            *_strays(asked),
            *_unheard(asked),
        )
        frames, advice = tuple(missed.frames), _advice(asked, missed.unanswered)
        yield Hit(cause, evidence, subject, frames, advice=advice, times=missed.unanswered)
    if promised.unanswered >= _FEW:
        cause = f"{promised.unanswered} of {ended} requests to {where} are acknowledged and have no answer"
        frames, times = tuple(promised.frames), promised.unanswered
        yield Hit(cause, (), f"{subject}: acknowledged alone", frames, times=times)


_STRAYS = (
    "Something comes back: compare message ID and token of these answers with those of the requests. An "
    "acknowledgement has the message ID of its request, and every answer its token."
)


def _advice(asked: OpenRequests, unanswered: int) -> str:
    """Return what to do where so much comes back that few of it can be answers to requests that the capture missed."""
    return _STRAYS if asked.strays and asked.strays * 2 >= unanswered else ""


def _dropped(asked: OpenRequests) -> tuple[str, ...]:
    """Return what is said of answers that whoever asked drops."""
    told = f"not counted, for their answers have a wrong checksum: {asked.dropped}"
    return (told,) if asked.dropped else ()


def _unheard(asked: OpenRequests) -> tuple[str, ...]:
    """Return what is said of answers that only the capture lacks."""
    told = f"not counted: {asked.unheard} heard once, whose answer may have come by unheard, by the numbers on its way"
    return (told,) if asked.unheard else ()


def _strays(asked: OpenRequests) -> tuple[str, ...]:
    """Return what is said of answers that belong to no request."""
    told = f"answers that no request matches by message ID and token: {asked.strays}"
    return (told,) if asked.strays else ()


def _unconfirmed(missed: RequestFates, subject: str, where: str) -> Iterator[Hit]:
    """Yield what is said of requests that nobody confirms: a risk where none was answered, a remark of most."""
    count, ended = missed.unanswered, missed.ended
    if count >= _FEW_UNCONFIRMED and count * 2 > ended:
        none = count == ended
        cause = f"{count} of {ended} non-confirmable GET or FETCH to {where} have no answer"
        severity = Severity.RISK if none else Severity.REMARK
        frames = tuple(missed.frames)
        yield Hit(cause, (), f"{subject}: non-confirmable", frames, severity, times=count)
