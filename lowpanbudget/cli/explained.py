"""What is told of a frame beyond its own octets, as plain data: headers restored, the shortest form, the message."""

from typing import TYPE_CHECKING, Any

from lowpanbudget.errors import RequestError

if TYPE_CHECKING:
    from lowpanbudget.bits import Span
    from lowpanbudget.cli.annotated import Item
    from lowpanbudget.fields import Restored
    from lowpanbudget.stack.comparison import Comparison

_SECOND = 10**9


def explained(item: "Item", largest: int) -> dict[str, Any]:
    """Return what is told of a frame; ``largest`` is the octets of the largest frame."""
    return {
        "restored": [
            _field(header, span, width)
            for header in _headers(item)
            for span, width in header.fields()
        ],
        "restored_in": item.first_number,
        "shortest": _shortest(item, largest),
        "message": _message(item),
        **_of_capture(item),
    }


def _headers(item: "Item") -> "tuple[Restored, ...]":
    from lowpanbudget.stack.uncompressed import restored

    frame = item.frame if item.first is None else item.first
    return restored(frame, item.contexts, item.datagram)


def _field(header: "Restored", span: "Span", width: int) -> dict[str, Any]:
    from lowpanbudget.report import view

    offset = span.offset_bits if span.bits else None
    return {
        "header": header.name,
        "depth": header.depth,
        "name": span.name,
        "value": view.plain(span.value),
        "bits": width,
        "carried": span.bits,
        "offset": offset,
        "source": span.source,
        "cite": view.plain(span.cite),
        "octet": None if offset is None else offset // 8,
        "says": _says(span, width),
    }


def _says(span: "Span", width: int) -> str:
    """Return the value as people look for it."""
    from lowpanbudget.layers.internet import ipv6
    from lowpanbudget.report import view

    value = span.value
    if span.name == "next header" and isinstance(value, int):
        return f"{value} ({ipv6.next_header_name(value)})"
    if isinstance(value, int):
        return f"{value} ({value:#0{2 + (width + 3) // 4}x})" if width > 8 else str(value)
    return "" if value is None else str(view.plain(value))


def _shortest(item: "Item", largest: int) -> dict[str, Any] | None:
    """Return the shortest form beside the form that was sent; None for what carries no datagram."""
    from lowpanbudget.report import view
    from lowpanbudget.stack.comparison import compare

    frame = item.first
    if frame is None or item.datagram is None or frame.payload is None or frame.fault is not None:
        return None
    if len(item.parts) > 1 and not item.pieces:
        return None
    if item.frame.fragment is not None and type(item.frame.fragment).__name__ != "Fragment":
        return None  # recoverable fragments are cut from the compressed form
    try:
        found: Comparison = compare(
            frame, item.contexts, item.datagram, root=item.root, rpi_type=item.rpi_type,
            pieces=item.pieces, largest=largest,
        )  # fmt: skip
    except RequestError as error:
        return {"reason": error.message}
    return {**view.plain(found), "saved": found.saved, "reason": ""}


def _message(item: "Item") -> dict[str, Any] | None:
    """Return what the datagram is in a design: its flow, its message and the values; None outside of any."""
    from lowpanbudget.report import view

    matched = item.matched
    if matched is None:
        return None
    return {
        "flow": matched.flow.name,
        "message": None if matched.message is None else matched.message.name,
        "sealed": matched.sealed,
        "values": [view.plain(one) for one in matched.readings],
        "others": list(matched.others),
        "faults": [{"format": name, **view.fault(fault)} for name, fault in matched.faults],
    }


def _of_capture(item: "Item") -> dict[str, Any]:
    """Return what the capture tells of the frame."""
    from lowpanbudget.report import view

    sighting = item.sighting
    if sighting is None:
        return {}
    return {
        "number": item.number,
        "time_ns": sighting.record.time_ns,
        "kind": sighting.kind,
        "flow": None if sighting.flow is None else str(sighting.flow),
        "received": view.plain(sighting.body.fields),
        "status": sighting.status.hex(),
        "cut_by": max(sighting.record.original_length - len(sighting.record.octets), 0),
        "retransmission_of": sighting.repeats,
        "copy_of": sighting.copies,
        "brought_by": list(item.parts),
        "whole_datagram": item.datagram.hex() if item.datagram and len(item.parts) > 1 else None,
        "never_whole": item.never_whole,
    }


def facts(told: dict[str, Any]) -> list[str]:
    """Return in words what a capture tells of a frame."""
    found = []
    if told.get("time_ns") is not None:
        found.append(f"Received at {time_of(told['time_ns'])}.")
    if told.get("flow"):
        found.append(f"Flow: {told['flow']}.")
    for name, value in (told.get("received") or {}).items():
        found.append(f"Received with {name.replace('_', ' ')} {value}.")
    if told.get("status"):
        found.append(f"Radio status {told['status']} stood in place of the check sequence.")
    if told.get("cut_by"):
        found.append(f"The capture left out its last {told['cut_by']} octets.")
    if told.get("retransmission_of"):
        found.append(f"It is a retransmission of frame {told['retransmission_of']}.")
    if told.get("copy_of"):
        found.append(f"It has the contents of frame {told['copy_of']} under a new number.")
    if told.get("never_whole"):
        found.append(f"Its datagram never became whole: {told['never_whole']}.")
    return found


def time_of(time_ns: int) -> str:
    """Return a time stamp as a date in UTC, or in seconds where it counts from anything else."""
    from datetime import UTC, datetime

    seconds, fraction = divmod(time_ns, _SECOND)
    try:
        if (
            seconds < 86400 * 366
        ):  # nobody captured in the first year: a clock that started with the log
            return f"{seconds}.{fraction:09d} s"
        date = datetime.fromtimestamp(seconds, UTC)
    except (OverflowError, ValueError, OSError):
        return f"{seconds}.{fraction:09d} s"
    return f"{date:%Y-%m-%d %H:%M:%S}.{fraction:09d} UTC"
