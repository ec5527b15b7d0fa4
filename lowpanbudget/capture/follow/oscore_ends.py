"""OSCORE messages opened: requests by their kid, responses by the request that they belong to (RFC 8613 section 8)."""

from collections.abc import Sequence
from ipaddress import IPv6Address

from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.follow.opened import NOT_OPENED, NonceUse, OpenedContent, nonce_use
from lowpanbudget.capture.recent import Recent
from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.registry import OSCORE
from lowpanbudget.layers.internet.oscore.context import SecurityContext
from lowpanbudget.layers.internet.oscore.option import read_oscore_option
from lowpanbudget.layers.internet.oscore.protect import (
    OscoreBinding,
    OscoreResult,
    open_oscore_request,
    open_oscore_response,
)
from lowpanbudget.stack.incoming import Notice

_MOST_REQUESTS = 4096  # that wait for their responses
_SAME_TOKEN = 4  # the last requests under one token: their responses may still be on other hops
_REQUEST, _RESPONSE = rfc(8613, "8.2"), rfc(8613, "8.4")
_Ends = tuple[IPv6Address, int | None, IPv6Address, int | None, bytes]


class OscoreEnds:
    """Opens messages with ``contexts``, each of which serves both of its ends; what it remembers is bounded."""

    def __init__(self, contexts: Sequence[SecurityContext]) -> None:
        self._ends = [end for context in contexts for end in (context, context.other_end)]
        self._requests = Recent[_Ends, list[tuple[SecurityContext, OscoreBinding]]](_MOST_REQUESTS)

    def opened(
        self, content: OpenedContent, flow: FlowKey, message: CoapMessage, octets: bytes, at: int
    ) -> OscoreResult | None:
        """Return what an OSCORE message at octet ``at`` of a content holds; None, with a notice, if it stays shut."""
        try:
            take = self._request if message.is_request else self._response
            found = take(content, flow, message)
        except WireError as error:
            found = error.message
        if isinstance(found, OscoreResult) and found.octets == octets:
            return found
        why = found if isinstance(found, str) else "its octets are no shortest form"
        if isinstance(found, WireError):
            content.refused, why = True, found.message
        place = at + len(octets) - len(message.payload)
        text = f"an OSCORE message is not opened: {why}"
        cite = _REQUEST if message.is_request else _RESPONSE
        content.notices.append(Notice(NOT_OPENED, text, cite, place))
        return None

    def _request(
        self, content: OpenedContent, flow: FlowKey, message: CoapMessage
    ) -> OscoreResult | WireError | str:
        """Return what a request holds, what is wrong with it under the contexts that fit, or why none does."""
        option = message.first(OSCORE)
        assert option is not None
        value = read_oscore_option(option.octets)
        fitting = [
            end
            for end in self._ends
            if end.recipient_id == value.kid and value.kid_context in (None, end.id_context)
        ]
        if not fitting:
            kid = "no kid" if value.kid is None else f"kid {value.kid.hex() or 'of no octets'}"
            within = "" if value.kid_context is None else f", kid context {value.kid_context.hex()}"
            return f"the key file has no context for it ({kid}{within})"
        for end in fitting:
            try:
                result = open_oscore_request(message, end)
            except WireError as error:
                wrong = error
                continue
            ends = (flow.source, flow.source_port, flow.destination, flow.destination_port)
            asked = self._requests.setdefault((*ends, message.token), [])
            if (end.other_end, result.binding) not in asked:
                asked[:] = [(end.other_end, result.binding), *asked[: _SAME_TOKEN - 1]]
            content.nonces.append(_nonce_of(message, end, result.binding))
            return result
        return wrong

    def _response(
        self, content: OpenedContent, flow: FlowKey, message: CoapMessage
    ) -> OscoreResult | WireError | str:
        """Return the same of a response."""
        ends = (flow.destination, flow.destination_port, flow.source, flow.source_port)
        wrong: WireError | str = "its request was not seen, or not opened"
        for context, binding in self._requests.get((*ends, message.token), ()):
            try:
                result = open_oscore_response(message, context, binding)
            except WireError as error:
                wrong = error
                continue
            content.nonces.append(_nonce_of(message, context, binding))
            return result
        return wrong


def _nonce_of(message: CoapMessage, context: SecurityContext, binding: OscoreBinding) -> NonceUse:
    """Return the use of the nonce of a message that was opened; without a Partial IV of its own it is its request's."""
    option = message.first(OSCORE)
    own = None if option is None else read_oscore_option(option.octets).piv
    told = f"Partial IV {int.from_bytes(own or binding.piv, 'big')}"
    told += " of its request" if own is None else ""
    identifier, piv = (context.recipient_id, own) if own is not None else (binding.kid, binding.piv)
    nonce = context.nonce(identifier, piv)
    return nonce_use(context.recipient_key, nonce, message.payload, told, rfc(8613, "7.2"))
