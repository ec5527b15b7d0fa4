"""What is known of a captured frame beyond its own octets, as plain data and in words."""

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from typing import Any

from lowpanbudget.bits import Span
from lowpanbudget.capture.annotation import (
    coded_contents,
    joined_contents,
    payload_code,
    restored_headers,
    shortest,
    words_of,
)
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.errors import RequestError, plural
from lowpanbudget.fields import Restored
from lowpanbudget.report import view
from lowpanbudget.stack.beyond import beyond_unknown_context
from lowpanbudget.stack.comparison import Comparison
from lowpanbudget.stack.frame import Frame

_SECOND = 10**9
_FIRST_YEAR_S = 366 * 86400  # nobody captured then: such a clock started with the log


def details(sighting: Sighting, largest: int | None) -> view.Data:
    """Return what is known of a frame beyond its octets; ``largest`` is the octets of a design's largest frame."""
    first = sighting.first
    return {
        "contents": restored_contents(coded_contents(sighting), sighting.headers),
        "restored": restored_fields(restored_headers(sighting)),
        "restored_in": None if first is None else first.number,
        "shortest": compared(lambda: shortest(sighting, largest)),
        "message": _message(sighting),
        **_of_capture(sighting),
    }


def read(sighting: Sighting) -> view.Data:
    """Return what was read of a frame, as far as its octets can be."""
    frame: view.Data = view.data_of(beyond_unknown_context(sighting.as_frame))
    return frame


def drawn(frame: Frame, title: str, sealed: tuple[int, int] = (0, 0)) -> view.Data:
    """Return what ``terminal.frame`` draws of a frame; in the range ``sealed`` ends sealed octets for each other."""
    sealed, frame = sealed_in(frame, sealed), beyond_unknown_context(frame)
    return {
        "title": title,
        "seen": view.data_of(frame),
        "rows": view.rows(frame.spans, frame.octets, sealed),
        "segments": view.segments(frame.spans),
        "sealed": sealed,
    }


def sealed_in(frame: Frame, sealed: tuple[int, int]) -> tuple[int, int]:
    """Return the range of octets that went encrypted: what the link sealed, or what ends sealed for each other."""
    return max(frame.opened, sealed, key=lambda place: place[1] - place[0])


def restored_contents(spans: Sequence[Span], first: Frame | None) -> view.Data | None:
    """Return rows and runs of contents that did not go as they are: nothing is sent of them. None of no spans.

    ``first`` is the frame with the byte code that stands for them, or for their beginning.
    """
    shown = _rows_and_runs(spans)
    return None if shown is None else {**shown, **payload_code(first)._asdict()}


def _rows_and_runs(spans: Sequence[Span]) -> view.Data | None:
    rows = [row | {"sent": ""} for row in view.rows(spans)]
    return {"spans": rows, "segments": view.segments(spans)} if spans else None


def restored_fields(headers: Iterable[Restored]) -> list[view.Data]:
    """Return the fields of restored headers, each with what it was restored from."""
    return [
        restored_field(header, span, width) for header in headers for span, width in header.fields()
    ]


def restored_field(header: Restored, span: Span, width: int) -> view.Data:
    """Return one field of a restored header, ``width`` bits wide, with what it was restored from."""
    offset = span.offset_bits if span.bits else None
    return {
        "header": header.name,
        "depth": header.depth,
        "name": span.name,
        "value": view.data_of(span.value),
        "bits": width,
        "carried": span.bits,
        "offset": offset,
        "source": span.source,
        "cite": view.data_of(span.cite),
        "octet": None if offset is None else offset // 8,
        "says": _says(span, width),
    }


def _says(span: Span, width: int) -> str:
    """Return the value of a restored field as text: with its words where it has some, numbers as ``view`` has them."""
    value, words = span.value, words_of(span)
    if words:
        return f"{value} ({words})"
    if isinstance(value, int):
        return view.number_text(value, width)
    return "" if value is None else str(view.data_of(value))


def compared(comparison: Callable[[], Comparison | None]) -> view.Data | None:
    """Return the shortest form beside the form that was sent; None for what carries no datagram."""
    try:
        found = comparison()
    except RequestError as error:
        return {"reason": error.message}
    return None if found is None else beside(found)


def beside(found: Comparison) -> view.Data:
    """Return a shortest form that there is, as ``compared`` does."""
    return {**view.data_of(found), "saved": found.saved, "reason": ""}


def _message(sighting: Sighting) -> view.Data | None:
    """Return flow, message and values of the datagram in the design; None where it belongs to no flow of it."""
    matched = sighting.completed.matched
    if matched is None:
        return None
    return {
        "flow": matched.flow.name,
        "message": None if matched.message is None else matched.message.name,
        "sealed": matched.sealed,
        "values": view.data_of(matched.readings),
        "others": list(matched.others),
        "faults": [{"format": name, **view.fault(fault)} for name, fault in matched.faults],
    }


def _of_capture(sighting: Sighting) -> view.Data:
    """Return what the capture says about a frame; nothing about a frame that came without one."""
    if not sighting.number:
        return {}
    completed = sighting.completed
    parts = completed.numbers if len(completed.parts) > 1 else ()
    return {
        "number": sighting.number,
        "time_ns": sighting.record.time_ns,
        "receiver": sighting.record.receiver,
        "heard_as": sighting.heard_as,
        "kind": sighting.kind,
        "flow": None if sighting.flow is None else str(sighting.flow),
        "received": view.data_of(sighting.body.fields),
        "status": sighting.status.hex(),
        "cut_by": sighting.missing,
        "retransmission_of": sighting.repeats,
        "copy_of": sighting.copies,
        "brought_by": list(parts),
        "whole_datagram": completed.datagram.hex() if completed.datagram and parts else None,
        "whole_contents": _rows_and_runs(joined_contents(sighting)),
        "never_whole": sighting.never_whole,
    }


def facts(details: dict[str, Any]) -> list[str]:
    """Return in words what a capture tells of a frame, given its ``details``."""
    sentences = []
    if details.get("time_ns") is not None:
        by = f" by {details['receiver']}" if details.get("receiver") else ""
        again = (
            f", the same sending as frame {details['heard_as']}" if details.get("heard_as") else ""
        )
        sentences.append(f"Received at {time_of(details['time_ns'])}{by}{again}.")
    if details.get("flow"):
        sentences.append(f"Flow: {details['flow']}.")
    for name, value in (details.get("received") or {}).items():
        sentences.append(f"Received with {name.replace('_', ' ')} {value}.")
    if details.get("status"):
        sentences.append(f"Radio status {details['status']} stood in place of the check sequence.")
    if details.get("cut_by"):
        sentences.append(f"The capture left out {plural(details['cut_by'], 'octet')} at its end.")
    if details.get("retransmission_of"):
        sentences.append(f"It is a retransmission of frame {details['retransmission_of']}.")
    if details.get("copy_of"):
        sentences.append(f"It has the contents of frame {details['copy_of']} under a new number.")
    if details.get("never_whole"):
        sentences.append(f"Its datagram never became whole: {details['never_whole']}.")
    return sentences


def time_of(time_ns: int) -> str:
    """Return a time stamp as a date in UTC, or in seconds where it counts from anything else."""
    seconds, fraction = divmod(time_ns, _SECOND)
    if seconds >= _FIRST_YEAR_S:
        try:
            date = datetime.fromtimestamp(seconds, UTC)
        except (OverflowError, ValueError, OSError):
            pass
        else:
            return f"{date:%Y-%m-%d %H:%M:%S}.{fraction:09d} UTC"
    return f"{seconds}.{fraction:09d} s"
