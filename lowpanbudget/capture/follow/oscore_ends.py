"""OSCORE messages opened: requests by their kid, responses by the request that they belong to (RFC 8613 section 8)."""

from collections.abc import Sequence
from ipaddress import IPv6Address

from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.follow.opened import NOT_OPENED, NonceUse, OpenedContent, nonce_use
from lowpanbudget.capture.recent import Recent
from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet.coap.codes import CoapType
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
from lowpanbudget.values import dataclass

_MOST_REQUESTS = 4096  # that wait for their responses
_SAME_TOKEN = 4  # the last requests under one token: their responses may still be on other hops
_REQUEST, _RESPONSE = rfc(8613, "8.2"), rfc(8613, "8.4")
_NOT_SEEN = "its request was not seen"
_SHUT = "its request is not opened"
_Ends = tuple[IPv6Address, int | None, IPv6Address, int | None, bytes]


@dataclass(slots=True)
class _SealedRequest:
    """A request: its message ID and what its OSCORE option says, the end that answers it, and what binds the answer.

    Both are None where it was not opened: it ends the requests before it under its token all the same. ``answer`` is
    what was sealed with its nonce.
    """

    message_id: int
    option: bytes
    end: SecurityContext | None = None
    binding: OscoreBinding | None = None
    answer: bytes | None = None


class OscoreEnds:
    """Opens messages with ``contexts``, each of which serves both of its ends; what it remembers is bounded."""

    def __init__(self, contexts: Sequence[SecurityContext]) -> None:
        self._ends = [end for context in contexts for end in (context, context.other_end)]
        self._requests = Recent[_Ends, list[_SealedRequest]](_MOST_REQUESTS)

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
        asked = self._asked(flow, message, option.octets)
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
            asked.end, asked.binding = end.other_end, result.binding
            content.nonces.append(_nonce_of(message, end, result.binding))
            return result
        return wrong

    def _asked(self, flow: FlowKey, message: CoapMessage, option: bytes) -> _SealedRequest:
        """Return the entry of a request, the first of those under its token; one that comes again keeps its place."""
        ends = (flow.source, flow.source_port, flow.destination, flow.destination_port)
        under = self._requests.setdefault((*ends, message.token), [])
        for one in under:
            if (one.message_id, one.option) == (message.mid, option):
                return one
        new = _SealedRequest(message.mid, option)
        under[:] = [new, *under[: _SAME_TOKEN - 1]]
        return new

    def _response(
        self, content: OpenedContent, flow: FlowKey, message: CoapMessage
    ) -> OscoreResult | WireError | str:
        """Return the same of a response: it is that to the last request under its token which it opens for.

        A piggybacked one has the message ID of its request as well (RFC 7252 section 5.3.2). Nothing is wrong with an
        answer whose request nobody could read.
        """
        option = message.first(OSCORE)
        assert option is not None
        has_nonce = read_oscore_option(option.octets).piv is not None
        ends = (flow.destination, flow.destination_port, flow.source, flow.source_port)
        asked = self._requests.get((*ends, message.token), [])
        if message.type == CoapType.ACK:
            asked = [one for one in asked if one.message_id == message.mid]
        wrong: WireError | None = None
        for one in asked:
            if one.end is None or one.binding is None:
                continue
            try:
                result = open_oscore_response(message, one.end, one.binding)
            except WireError as error:
                if has_nonce or one.answer is None:  # it may be the answer
                    wrong = wrong or error
                continue
            if not has_nonce:
                one.answer = message.payload
            content.nonces.append(_nonce_of(message, one.end, one.binding))
            return result
        if asked and asked[0].end is None:
            content.shut_with_request = True
            return _SHUT
        content.unasked = wrong is None
        return wrong or _NOT_SEEN


def _nonce_of(message: CoapMessage, context: SecurityContext, binding: OscoreBinding) -> NonceUse:
    """Return the use of the nonce of a message that was opened; without a Partial IV of its own it is its request's."""
    option = message.first(OSCORE)
    own = None if option is None else read_oscore_option(option.octets).piv
    told = f"Partial IV {int.from_bytes(own or binding.piv, 'big')}"
    told += " of its request" if own is None else ""
    identifier, piv = (context.recipient_id, own) if own is not None else (binding.kid, binding.piv)
    nonce = context.nonce(identifier, piv)
    return nonce_use(context.recipient_key, nonce, message.payload, told, rfc(8613, "7.2"))
