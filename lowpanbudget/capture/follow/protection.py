"""Datagrams that go without the protection from end to end with which their flow is planned.

What a plan seals, nobody on the way may read or change (RFC 8613 section 1); whoever finds it readable has found that
the node does not do what was planned. One that is sealed otherwise is not in the clear, and not as planned either.
Where nothing tells (octets that are no message) nothing is claimed.
"""

from collections.abc import Sequence
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.capture.follow.flow_table import FlowFit, has_its_path, is_asked_by
from lowpanbudget.design.flow import Flow
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.registry import OSCORE as OSCORE_OPTION
from lowpanbudget.layers.internet.dtls import record as dtls
from lowpanbudget.layers.internet.dtls.content import CONTENT_NAMES, ContentType
from lowpanbudget.layers.internet.dtls.record import DtlsRecord

OSCORE, DTLS = "OSCORE", "DTLS"
_SEALED_TYPES = {ContentType.APPLICATION, ContentType.CID}
_CONTENT_TYPES = {bytes([one]) for one in CONTENT_NAMES}


class Unprotected(NamedTuple):
    """A datagram that goes without the ``protection`` planned for the flow of its ports, and the CoAP message in it.

    ``instead`` is another protection that it has. ``is_of_flow``: its ends may be those of the flow and it asks for the
    same; of another nobody knows whether the plan is about it.
    """

    fit: FlowFit
    protection: str
    message: CoapMessage | None
    instead: str = ""
    is_of_flow: bool = True


def unprotected(
    fits: Sequence[FlowFit], octets: bytes, message: CoapMessage | None = None
) -> Unprotected | None:
    """Return whether a UDP payload, as it stands on the air, goes without what its flow plans; None where it does not.

    ``fits`` are flows that its ports allow, the best first; ``message`` is the CoAP message that it is, where somebody
    read it. A flow that is planned in the clear, or with the protection that it has, has it rather, where addresses fit
    that one as well.
    """
    if not octets:
        return None
    message = message or clear_message(octets)
    used = protection_seen(octets, message)
    lacking = [one for fit in fits if (one := _lacking(fit, used, message)) is not None]
    found = next((one for one in lacking if one.is_of_flow), next(iter(lacking), None))
    if found is None or any(
        _is_as_planned(fit, used, message) and fit.ends >= found.fit.ends for fit in fits
    ):
        return None
    # what begins a record of DTLS 1.3 that is sealed begins much else as well: three bits tell it
    return found if found.instead != DTLS or begins_as_record(octets) else None


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


def protection_seen(octets: bytes, message: CoapMessage | None) -> str:
    """Return what a UDP payload, or the message that it is, shows to be sealed with; nothing where nothing shows."""
    if message is not None:
        return OSCORE if message.first(OSCORE_OPTION) is not None else ""
    return DTLS if _has_records(octets) else ""


def _planned(flow: Flow) -> str:
    application = flow.application
    if application.dtls is not None:
        return DTLS  # around whatever goes between its ports
    return "" if application.oscore is None else OSCORE


def _lacking(fit: FlowFit, used: str, message: CoapMessage | None) -> Unprotected | None:
    planned, flow = _planned(fit.flow), fit.flow
    if planned in {"", used}:
        return None
    bare = Unprotected(fit, planned, message, used, fit.between)
    if used:
        return bare if fit.between else None  # what others seal among themselves is their own
    if planned == DTLS:
        return bare
    # what asks for something else, such as new keys, and OSCORE's own errors go in the clear (RFC 8613 section 8.2)
    if fit.back or message is None or not has_its_path(flow, message):
        return None
    return bare if is_asked_by(flow, message) else bare._replace(is_of_flow=False)


def _is_as_planned(fit: FlowFit, used: str, message: CoapMessage | None) -> bool:
    if used and used == _planned(fit.flow):
        return True
    return _is_planned_clear(fit, message)


def _is_planned_clear(fit: FlowFit, message: CoapMessage | None) -> bool:
    if fit.flow.application.is_sealed:
        return False
    if fit.back:
        return message is None or message.is_response
    return is_asked_by(fit.flow, message)


def begins_as_record(octets: bytes) -> bool:
    """Return whether a UDP payload is records, the first of them with content type and version of DTLS in the clear."""
    return octets[:1] in _CONTENT_TYPES and _has_records(octets)


def begins_sealed(octets: bytes) -> bool:
    """Return whether a UDP payload begins as a sealed record does that is neither handshake nor alert of DTLS 1.2."""
    if len(octets) < dtls.RECORD.octets:
        return False
    if dtls.UNIFIED.starts(octets):
        return True
    return octets[0] in _SEALED_TYPES and dtls.RECORD.values_at(octets)["epoch"] > 0


def _has_records(octets: bytes) -> bool:
    """Return whether these are DTLS records, of which none has data of an application that nothing protects."""
    try:
        records = dtls.decode_datagram(Reader(octets))
    except WireError as error:
        return error.cite == dtls.CID_CITE  # how long its connection ID is only its two ends know
    return not any(_is_open(one) for one in records if isinstance(one, DtlsRecord))


def _is_open(record: DtlsRecord) -> bool:
    return record.content_type == ContentType.APPLICATION and not record.sealed
