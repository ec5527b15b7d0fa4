"""Captures as other captures: datagrams out of frames, plain frames out of sealed ones.

The way back, frames out of datagrams, is in ``shrink``. Each gives records, and counts what it left out and why.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

from lowpanbudget.capture.linktype import FRAME
from lowpanbudget.capture.record import Record
from lowpanbudget.capture.trace import Trace
from lowpanbudget.capture.traced import Traced
from lowpanbudget.errors import BadMic, RequestError
from lowpanbudget.layers.link.fcs import fcs as fcs_of
from lowpanbudget.stack.frame import encode_frame

IPV6_TYPE, FRAME_TYPE = 229, 195
MOST_REASONS = 256


@dataclass(slots=True)
class LeftOut:
    """How many records a conversion left out, by reason; reasons beyond 256 count as others."""

    reasons: dict[str, int] = field(default_factory=dict)

    @property
    def count(self) -> int:
        """Return how many records were left out."""
        return sum(self.reasons.values())

    def add(self, reason: str) -> None:
        """Count a record."""
        key = reason if reason in self.reasons or len(self.reasons) < MOST_REASONS else "others"
        self.reasons[key] = self.reasons.get(key, 0) + 1


def expand(
    records: Iterable[Record], trace: Trace | None = None, left_out: LeftOut | None = None
) -> Iterator[Record]:
    """Yield the IPv6 datagrams of a capture, link type 229, each with the time of the frame that made it whole.

    Retransmissions bring no datagram again. Frames that carry none by their kind (acknowledgements, beacons, commands)
    are no loss; ``left_out`` counts the others.
    """
    trace = Trace() if trace is None else trace
    left_out = LeftOut() if left_out is None else left_out
    for traced in trace.follow(records):
        for outcome in traced.outcomes:
            _count(outcome.event, left_out)
        if traced.repeats is not None:
            left_out.add("a retransmission")
        elif traced.datagram is not None:
            yield _record(traced, IPV6_TYPE, traced.datagram)
        elif reason := traced.reason:
            left_out.add(reason)
    for outcome in trace.leftover:
        _count(outcome.event, left_out)


def _count(event: object, left_out: LeftOut) -> None:
    reason = getattr(event, "reason", None)
    if type(event).__name__ == "TimedOut":
        reason = "fragments that were not whole in time"
    if reason is not None and type(event).__name__ != "Ignored":
        left_out.add(reason)


def plain(
    records: Iterable[Record], trace: Trace, left_out: LeftOut | None = None
) -> Iterator[Record]:
    """Yield all frames of a capture with their protection taken off where a key opens them, link type 195.

    What they say is then readable by everybody who can read the file. Frames that no key opens stay sealed, and are
    counted in ``left_out`` as such; records that hold no frame are left out. A wrong FCS stays wrong.
    """
    left_out = LeftOut() if left_out is None else left_out
    for traced in trace.follow(records):
        if traced.carried.kind != FRAME:
            left_out.add(traced.reason or traced.carried.kind)
            continue
        octets = _opened(traced, left_out)
        if octets is not None:
            yield _record(traced, FRAME_TYPE, octets)


def _opened(traced: Traced, left_out: LeftOut) -> bytes | None:
    length = traced.fcs_octets
    body = traced.octets[: len(traced.octets) - length]
    example = None if traced.shape is None else traced.shape.example
    mac = None if example is None else example.mac
    sealed = mac is not None and mac.security is not None and mac.security.level > 0
    opened = traced.payload is not None and not isinstance(traced.fault, BadMic)
    if sealed and opened:
        frame = traced.frame
        assert frame is not None
        assert frame.mac is not None
        assert traced.payload is not None
        try:
            return encode_frame(replace(frame.mac, security=None), traced.payload).octets
        except RequestError as error:
            left_out.add(f"still sealed: {error.message}")
    elif sealed:
        left_out.add(f"still sealed: {traced.reason}")
    if length == 2:
        return traced.octets
    if traced.fcs_ok is False:
        left_out.add("a wrong FCS of 4 octets, which link type 195 does not have")
        return None
    return body + fcs_of(body)


def _record(traced: Traced, link_type: int, octets: bytes) -> Record:
    record = traced.record
    return Record(record.number, record.time_ns, link_type, octets, len(octets), record.offset)
