"""Datagrams that go in the clear where their flow is planned with protection from end to end.

What a plan seals, nobody on the way may read or change (RFC 8613 section 1); whoever finds it readable has found that
the node does not do what was planned. Where nothing tells (octets that are no message) nothing is claimed.
"""

from collections.abc import Sequence
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.capture.follow.flow_table import FlowFit, is_asked_by
from lowpanbudget.design.flow import Flow
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.registry import OSCORE as OSCORE_OPTION
from lowpanbudget.layers.internet.dtls import record as dtls
from lowpanbudget.layers.internet.dtls.content import Content
from lowpanbudget.layers.internet.dtls.record import DtlsRecord

OSCORE, DTLS = "OSCORE", "DTLS"


class Unprotected(NamedTuple):
    """A datagram of a flow that goes without the ``protection`` planned for it, and the CoAP message in it."""

    fit: FlowFit
    protection: str
    message: CoapMessage | None


def unprotected(
    fits: Sequence[FlowFit], octets: bytes, message: CoapMessage | None = None
) -> Unprotected | None:
    """Return whether a UDP payload, as it stands on the air, goes without what its flow plans; None where it does not.

    ``fits`` are flows that its ports allow, the best first; ``message`` is the CoAP message that it is, where somebody
    read it. A flow that is planned in the clear has it rather, where addresses fit that one as well.
    """
    if not octets:
        return None
    message = message or clear_message(octets)
    lacking = (Unprotected(fit, _lacks(fit, octets, message), message) for fit in fits)
    found = next((one for one in lacking if one.protection), None)
    if found is None or any(
        _is_planned_clear(fit, message) and fit.ends >= found.fit.ends for fit in fits
    ):
        return None
    return found


def clear_message(octets: bytes) -> CoapMessage | None:
    """Return the CoAP message that a UDP payload is; None for another."""
    try:
        return coap.decode(Reader(octets))
    except WireError:
        return None


def seals(flow: Flow, octets: bytes, message: CoapMessage | None) -> bool:
    """Return whether a UDP payload, or the message that it is, is sealed as its flow plans, or nobody can tell."""
    if flow.application.dtls is not None:
        return _has_records(octets)
    return message is None or message.first(OSCORE_OPTION) is not None


def _lacks(fit: FlowFit, octets: bytes, message: CoapMessage | None) -> str:
    application = fit.flow.application
    if not application.is_sealed or seals(fit.flow, octets, message):
        return ""
    if application.dtls is not None:
        return DTLS  # all that goes between its ports is to go in records, whatever it is
    # what asks for something else, such as new keys, and OSCORE's own errors go in the clear (RFC 8613 section 8.2)
    return OSCORE if not fit.back and is_asked_by(fit.flow, message) else ""


def _is_planned_clear(fit: FlowFit, message: CoapMessage | None) -> bool:
    if fit.flow.application.is_sealed:
        return False
    if fit.back:
        return message is None or message.is_response
    return is_asked_by(fit.flow, message)


def _has_records(octets: bytes) -> bool:
    """Return whether these are DTLS records, of which none has data of an application that nothing protects."""
    try:
        records = dtls.decode_datagram(Reader(octets))
    except WireError as error:
        return error.cite == dtls.CID_CITE  # how long its connection ID is only its two ends know
    return not any(_is_open(one) for one in records if isinstance(one, DtlsRecord))


def _is_open(record: DtlsRecord) -> bool:
    return record.content_type == Content.APPLICATION and not record.sealed
