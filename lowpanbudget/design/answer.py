"""The answer to a request: a flow made from the request's, the other way round (RFC 7252 section 5.2).

request  source:port -> destination:port  CON/NON GET  token  OSCORE sender, recipient
answer   destination:port -> source:port  ACK/NON 2.05 token  OSCORE recipient, sender
"""

from collections.abc import Iterable
from dataclasses import replace

from lowpanbudget.design.answer_shape import AnswerShape
from lowpanbudget.design.application import Application, Coap
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.routing import Routing, route_flaws
from lowpanbudget.errors import RequestError
from lowpanbudget.layers.internet.coap.codes import CoapType, class_of, coap_code
from lowpanbudget.layers.internet.coap.options import CoapOption
from lowpanbudget.layers.internet.coap.times import AGAIN_S
from lowpanbudget.payload.flaws import Flaw

SUFFIX = "-answer"
# what a method is answered with where all goes well (RFC 7252 section 5.9.1, RFC 8132 section 2)
_USUAL = {
    coap_code(method): coap_code(code)
    for code, methods in (
        ("2.05", ("GET", "FETCH")),
        ("2.04", ("POST", "PUT", "PATCH", "iPATCH")),
        ("2.02", ("DELETE",)),
    )
    for method in methods
}
# requests for what a URI names alone (RFC 7252 sections 5.8.1 and 5.8.4); a payload of these responses, "if any, is a
# representation of the action result" (5.9.1.4), and 2.03 "MUST NOT include" one (5.9.1.3)
_OFTEN_EMPTY = frozenset(map(coap_code, ("GET", "DELETE", "2.01", "2.02", "2.03", "2.04")))


def is_non_storing(flows: Iterable[Flow]) -> bool:
    """Return whether some flow that goes down carries a source route, and so all do that go over several hops."""
    return any(flow.routing.route and flow.direction == "down" for flow in flows)


def in_mode(flow: Flow, *, non_storing: bool) -> Flow:
    """Return the flow as the mode of its network has it: over one hop down no route tells which mode that is."""
    routing = flow.routing
    if not non_storing or not routing.tunnel or flow.hops > 1 or flow.direction != "down":
        return flow
    return replace(flow, routing=replace(routing, non_storing=True))


def empty_flows(flows: Iterable[Flow]) -> list[Flow]:
    """Return those of requests that are answered, and of answers, that name no message: they carry headers alone."""
    several = tuple(flows)
    asked = {flow.answers for flow in several}
    return [one for one in several if not one.messages and (one.answers or one.name in asked)]


def taken_empty(flows: Iterable[Flow]) -> list[Flow]:
    """Return those of empty messages that usually carry something: a representation, or what is to be done with one."""
    return [
        one
        for one in empty_flows(flows)
        if one.application.coap is None or one.application.coap.code not in _OFTEN_EMPTY
    ]


def sent_again_s() -> tuple[float, ...]:
    """Return after how many seconds a confirmable message may be sent again, each time."""
    return AGAIN_S


def confirmable(flows: Iterable[Flow]) -> list[Flow]:
    """Return those of confirmable messages that are sent so often."""
    return [
        one
        for one in flows
        if one.every_s is not None
        and one.application.coap is not None
        and one.application.coap.type == CoapType.CON
    ]


def sent_until_acknowledged(flows: Iterable[Flow]) -> frozenset[str]:
    """Return the names of flows of confirmable messages, and of what answers them: lost, it is asked for again."""
    several = tuple(flows)
    sent = {one.name for one in confirmable(several)}
    return frozenset(one.name for one in several if sent & {one.name, one.answers})


def unanswered(flows: Iterable[Flow]) -> list[Flow]:
    """Return those of confirmable messages that are sent, and of which nothing says what acknowledges them.

    "The recipient MUST either (a) acknowledge a Confirmable message with an Acknowledgement message ... or (b) reject
    the message" (RFC 7252 section 4.2).
    """
    several = tuple(flows)
    asked = {flow.answers for flow in several}
    return [one for one in confirmable(several) if one.name not in asked]


def answer_of(
    request: Flow, shape: AnswerShape, *, non_storing: bool
) -> tuple[Flow | None, list[Flaw]]:
    """Return the flow that answers a request, or None with what is wrong; paths are keys of the answer's table."""
    if request.group is not None:
        return None, [
            Flaw((), "many nodes answer what goes to a group", "Write a flow for the answer of one")
        ]
    try:
        application = _application(request.application, shape)
    except RequestError as error:
        return None, [Flaw(("code",), error.message, error.hint)]
    answer = replace(
        request,
        name=shape.name or request.name + SUFFIX,
        source=request.destination,
        destination=request.source,
        source_port=request.destination_port,
        destination_port=request.source_port,
        application=application,
        messages=tuple(shape.messages),
        most_frames=shape.most_frames,
        answers=request.name,
    )
    flaws = list(route_flaws(shape.route or 0, answer.hops, answer.source.role))
    if flaws:
        return None, flaws
    answer = replace(answer, routing=_routing(answer, shape.route, non_storing=non_storing))
    return in_mode(answer, non_storing=non_storing), []


def _application(request: Application, shape: AnswerShape) -> Application:
    """Return what stands between the answer's message and UDP; raises ``RequestError`` for what answers nothing."""
    coap, oscore, dtls = request.coap, request.oscore, request.dtls
    if coap is None and (shape.code is not None or shape.content_format is not None):
        raise RequestError(
            "the request is no CoAP message", hint="Leave code and content_format out"
        )
    if coap is not None:
        coap = _coap(coap, shape)
    if oscore is not None:
        # a response to one request is bound to it and carries no sequence number of its own (RFC 8613 section 8.3)
        oscore = replace(
            oscore,
            sender_id=oscore.recipient_id,
            recipient_id=oscore.sender_id,
            send_id_context=False,
            response_sequence=False,
        )
    if dtls is not None:
        dtls = replace(dtls, cid=shape.cid)
    return Application(coap, oscore, dtls)


def _coap(request: Coap, shape: AnswerShape) -> Coap:
    """Return the response: in the acknowledgement of a confirmable request, under the token of the request."""
    if class_of(request.code):
        raise RequestError(
            "the flow is no request: its own code is a response", hint="Leave the answer out"
        )
    code = _USUAL.get(request.code) if shape.code is None else coap_code(shape.code)
    if code is None or class_of(code) < 2:
        raise RequestError(
            "an answer has the code of a response", hint="Write code as 2.04, 2.05 or the like"
        )
    kind = CoapType.ACK if request.type == CoapType.CON else CoapType.NON
    options: tuple[CoapOption, ...] = ()
    if shape.content_format is not None:
        options = (CoapOption.of("Content-Format", shape.content_format),)
    return Coap(code, kind, request.token, options)


def _routing(answer: Flow, route: int | None, *, non_storing: bool) -> Routing:
    """Return the routing artefacts of the answer: the route it states, or one where it goes down, non-storing.

    What comes from outside goes in a tunnel, since the root adds its artefacts (RFC 9008 sections 7.2.2 and 8.2.2), and
    so does what leaves with an option that others must discard.
    """
    if route is None:
        route = answer.hops - 1 if answer.direction == "down" and non_storing else 0
    untunnelled = replace(answer.routing, route=route, tunnel=False)
    return replace(untunnelled, tunnel=replace(answer, routing=untunnelled).must_tunnel)
