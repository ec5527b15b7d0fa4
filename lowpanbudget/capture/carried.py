"""What a frame of a capture carries, in a few words: its kind, or the fragment, flow and message in it."""

from collections.abc import Iterator
from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.capture.files.link_types import FRAME
from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet.coap.codes import code_text
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.dtls.content import (
    ALERT_NAMES,
    CONTENT_NAMES,
    HANDSHAKE_NAMES,
    Alert,
    ContentType,
    Handshake,
    decode_content,
)
from lowpanbudget.layers.internet.dtls.record import DtlsRecord, Unified
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd.lowpan_options import STATUS, AddressRegistration
from lowpanbudget.layers.internet.nd.messages import (
    DuplicateAddressConfirmation,
    NeighborAdvertisement,
)
from lowpanbudget.layers.internet.rpl.messages import DaoAck, status_text
from lowpanbudget.layers.link.beacon import Beacon
from lowpanbudget.layers.link.contents import Command
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.recovery import Rfrag, RfragAck
from lowpanbudget.stack.frame import Frame


def carried(sighting: Sighting) -> str:
    """Return what a record carries in words, and what it repeats; of one that was heard before only that."""
    return ", ".join(_words(sighting))


def _words(sighting: Sighting) -> Iterator[str]:
    frame, flow = sighting.example, sighting.flow
    if sighting.heard_as is not None:
        yield f"as {sighting.heard_as}, at another receiver"
        return
    if sighting.damaged:
        yield f"{sighting.kind}, damaged"
    elif sighting.body.kind != FRAME and flow is None:
        yield sighting.body.kind
    elif frame is None or frame.mac is None:
        yield sighting.kind if flow is None else flow.what
    elif sighting.payload is None and frame.mac.security is not None:
        yield f"{sighting.kind}, sealed"
    else:
        yield from _contents(sighting, frame, flow)
    if sighting.fault is not None and not sighting.damaged:
        yield "not read to its end"
    if sighting.repeats is not None:
        yield f"again, as {sighting.repeats}"
    elif sighting.copies is not None:
        yield f"a copy of {sighting.copies}"


def _contents(sighting: Sighting, frame: Frame, flow: FlowKey | None) -> Iterator[str]:
    """Yield the fragment, then the application's message or the flow; of a frame without any its kind."""
    # its header is there also where what it brings cannot be read
    part = frame.fragment if sighting.template is None else sighting.template.fragment
    command = next((one for one in frame.layers if isinstance(one, Command)), None)
    if isinstance(part, Fragment):
        yield f"octets from {part.offset} of {part.size}"
    elif isinstance(part, Rfrag):
        yield f"recoverable fragment {part.sequence}"
    elif any(isinstance(one, RfragAck) for one in frame.layers):
        yield "acknowledgement of fragments"
    elif command is not None:
        yield f"{sighting.kind}: {command.name}"
    elif flow is None:
        refuses = frame.mac is not None and frame.mac.refuses
        yield f"{sighting.kind}: frame not accepted" if refuses else sighting.kind
        yield from _announced(frame)
    if flow is not None:
        yield from _of_flow(sighting, flow)


def _announced(frame: Frame) -> Iterator[str]:
    """Yield what a beacon tells those who want to join: the slot and how far the root is, or whether it is open."""
    elements = () if frame.mac is None else frame.mac.payload_ies
    for told in (nested.fields for element in elements for nested in element.nested):
        if "asn" in told:
            yield f"ASN {told['asn']}"
            yield f"join metric {told['join_metric']}"
    for beacon in frame.layers:
        if isinstance(beacon, Beacon) and beacon.beacon_order is not None:
            yield "from the PAN coordinator" if beacon.pan_coordinator else "from a coordinator"
            yield f"{'open' if beacon.association_permit else 'closed'} for joining"


def _of_flow(sighting: Sighting, flow: FlowKey) -> Iterator[str]:
    contents = sighting.contents
    request = None if contents is None else contents.packet.innermost(CoapMessage)
    if request is not None:
        path = request.path
        yield f"CoAP {code_text(request.code)}" + (f" {path}" if path else "")
    elif contents is not None and (records := dict.fromkeys(map(_record, _records(contents)))):
        yield f"DTLS {', '.join(records)}"
    elif flow.source_port is not None:
        yield f"{flow.what} {flow.source_port} to {flow.destination_port}"
    else:
        yield flow.what
        yield from _answer(None if contents is None else contents.packet.innermost(Icmpv6))
    matched = sighting.matched
    if matched is not None:
        name, message = matched.flow.name, matched.message
        yield name if message is None or message.name == name else f"{name}: {message.name}"
        if matched.unprotected:
            yield f"without its {matched.unprotected}"
        if matched.otherwise:
            yield f"under {matched.otherwise}, which is not planned"


def _records(contents: Frame) -> Iterator[DtlsRecord | Unified]:
    yield from contents.packet.all(DtlsRecord)
    yield from contents.packet.all(Unified)


def _record(record: DtlsRecord | Unified) -> str:
    """Return what anybody sees of a record: the first message of a handshake in the clear, else content and epoch."""
    if isinstance(record, Unified):
        return "record of 1.3"
    name = CONTENT_NAMES[record.content_type]
    if record.sealed:
        return f"{name}, epoch {record.epoch}"
    try:
        inside = decode_content(Reader(record.fragment), record.content_type)
    except WireError:
        return name
    message = inside[0] if isinstance(inside, tuple) and inside else None
    if isinstance(message, Handshake):
        return HANDSHAKE_NAMES.get(message.type, name)
    if isinstance(message, Alert):
        return f"alert: {ALERT_NAMES.get(message.description, 'unassigned')}"
    return f"{name} in the clear" if record.content_type == ContentType.APPLICATION else name


def _answer(icmpv6: Icmpv6 | None) -> Iterator[str]:
    """Yield the status that a node is answered which asks to be let in; nothing of one that is."""
    message: Any = None if icmpv6 is None else icmpv6.message
    if isinstance(message, NeighborAdvertisement):
        message = next(
            (one for one in message.options if isinstance(one, AddressRegistration)), None
        )
    if isinstance(message, AddressRegistration | DuplicateAddressConfirmation) and message.status:
        yield f"status {message.status}: {STATUS.get(message.status, 'unassigned')}"
    elif isinstance(message, DaoAck) and message.status:
        yield f"status {message.status}: {status_text(message.status)}"
