"""What application protocols and protection will take in a design."""

from collections.abc import Iterator
from dataclasses import replace

from lowpanbudget.cites import Cite, rfc
from lowpanbudget.design.application import ADDED_DTLS, ADDED_OSCORE, NONE, Application
from lowpanbudget.design.flow import Flow
from lowpanbudget.errors import LowpanError, plural
from lowpanbudget.findings.draft import MANY, Draft, message_of, rooms_beside, with_application
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.wording import octets_text, room_text
from lowpanbudget.layers.internet.coap.codes import is_request, is_response
from lowpanbudget.layers.internet.coap.options import CoapOption
from lowpanbudget.layers.internet.coap.registry import OBSERVE
from lowpanbudget.room.fit import Fit
from lowpanbudget.room.measure import deepest, frames_of, room_of
from lowpanbudget.stack.upper import DTLS_PORT

_BLOCK1, _BLOCK2 = "Block1", "Block2"
_BLOCKS = (1024, 512, 256, 128, 64, 32, 16)  # RFC 7959 section 2.2
# octets of the longest flight of DTLS 1.3 with raw public keys, as an IETF comparison of security protocols counts it
# (draft-ietf-iotops-security-protocol-comparison, from memory); of other handshakes no number is known here
_FLIGHT = 454
_MOST_OBSERVE = (1 << 24) - 1  # RFC 7641 section 3.4

PROTOCOLS = Subject("protocols")


@PROTOCOLS.rule("observe-will-grow", Fit)
def observe_will_grow(draft: Draft, fit: Fit) -> Hits:
    """Encode with the greatest value."""
    path = draft.path(fit)
    message = path.flow.application.coap
    if message is None or not is_response(message.code) or fit.frames is None:
        return
    option = next((option for option in message.options if option.number == OBSERVE), None)
    greatest = CoapOption.of("Observe", _MOST_OBSERVE)
    if option is None or len(option.octets) >= len(greatest.octets):
        return
    others = tuple(other for other in message.options if other is not option)
    grown = replace(message, options=(*others, greatest))
    count = frames_of(
        with_application(path, replace(path.flow.application, coap=grown)), fit.octets
    )
    if count is None or count > fit.frames:
        grows = f"Observe grows from {len(option.octets)} to {len(greatest.octets)} octets"
        yield Hit(f"{grows}: {count} frames instead of {fit.frames}", (), message_of(fit))


@PROTOCOLS.rule("block-size-to-use", Fit)
def block_size_to_use(draft: Draft, fit: Fit) -> Hits:
    """Try block sizes from the largest down."""
    path = draft.path(fit)
    message = path.flow.application.coap
    if message is None or fit.spare >= 0 or fit.octets <= _BLOCKS[-1]:
        return
    which = _BLOCK1 if is_request(message.code) else _BLOCK2
    rest = tuple(one for one in message.options if one.name not in {_BLOCK1, _BLOCK2})
    cause = "no block size fits one frame"
    for size in _BLOCKS:
        block = CoapOption.of(which, 15 << 4 | 8 | (size.bit_length() - 5))
        blocked = replace(message, options=(*rest, block))
        shorter = with_application(path, replace(path.flow.application, coap=blocked))
        try:
            count = frames_of(shorter, size)
        except LowpanError:
            break
        if count == 1:
            cause = f"blocks of {size} octets fit one frame"
            break
    else:
        if 0 < (deepest(path, _BLOCKS[-1]) or 0) < path.flow.hops - 1:
            return  # the route takes the room, of which another rule tells
    yield Hit(f"{octets_text(fit.octets)} do not fit one frame; {cause}", (), message_of(fit))


@PROTOCOLS.rule("clear-on-secured-port", Flow)
def clear_on_secured_port(draft: Draft, flow: Flow) -> Hits:
    """Look at the ports, and measure the frames with DTLS 1.3 where a flow has two ends."""
    now = flow.application
    if now.coap is None or now.dtls is not None:
        return
    if DTLS_PORT not in {flow.source_port, flow.destination_port}:
        return
    evidence: tuple[str, ...] = ()
    if flow.group is None:
        secured = replace(flow, application=_with_dtls(now))
        evidence = tuple(rooms_beside(draft, flow, secured, "with DTLS 1.3"))
    what = "CoAP in OSCORE" if now.oscore else "CoAP"
    cause = f"{what} without DTLS has the port {DTLS_PORT}"
    yield Hit(cause, evidence, f"flow {flow.name}")


@PROTOCOLS.rule("protection-does-not-fit", Fit)
def protection_does_not_fit(draft: Draft, fit: Fit) -> Hits:
    """Encode with stand-in keys."""
    path = draft.path(fit)
    now = path.flow.application
    unprotected = now.oscore is None and now.dtls is None and path.flow.group is None
    if fit.spare < 0 or not unprotected:
        return  # a group has neither (RFC 7252 section 8.1)
    over, cites = [], []
    for name, application, cite in _protected(now):
        room = room_of(with_application(path, application))
        if fit.octets > room:
            over.append(f"with {name} {room_text(room)}")
            cites.append(cite)
    if over:
        cause = f"{octets_text(fit.octets)} fit {fit.room}; {' and '.join(over)}"
        yield Hit(cause, (), message_of(fit), cite=cites[0])


def _protected(application: Application) -> Iterator[tuple[str, Application, Cite]]:
    """Yield the protocols of a flow with OSCORE, where it has CoAP, and with DTLS 1.3, and where."""
    coap = application.coap
    if coap is not None:
        oscore = replace(ADDED_OSCORE, response_sequence=coap.notifies)
        yield "OSCORE", replace(application, oscore=oscore), rfc(8613, "6")
    yield "DTLS 1.3", _with_dtls(application), rfc(9147, "4")


def _with_dtls(application: Application) -> Application:
    """Return the protocols of a flow with DTLS 1.3."""
    return replace(application, dtls=ADDED_DTLS)


@PROTOCOLS.rule("handshake-takes-many-frames", Flow)
def handshake_takes_many_frames(draft: Draft, flow: Flow) -> Hits:
    """Count the frames of a flight, where the suite does not say which keys the handshake has."""
    if flow.application.dtls is None or flow.application.dtls.suite.version != "1.3":
        return
    path = draft.design.paths(replace(flow, application=NONE))[-1]
    count = frames_of(path, _FLIGHT)
    if count is not None and count > MANY:
        sent = f", {count * flow.hops} transmissions" if flow.hops > 1 else ""
        cause = f"with raw public keys a flight of {_FLIGHT} octets takes {count} frames{sent}"
        yield Hit(cause, (plural(flow.hops, "hop"),), f"flow {flow.name}")
