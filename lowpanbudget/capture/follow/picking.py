"""Frames picked out of a capture, with what became of their datagrams; and frames that stand alone."""

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from lowpanbudget.capture.files.link_types import FRAME, FRAME_TYPE, RecordBody
from lowpanbudget.capture.files.reading import CaptureFile
from lowpanbudget.capture.files.record import LINE_GARBLED, Record
from lowpanbudget.capture.follow.flows import flow_of
from lowpanbudget.capture.follow.opening import ContentOpener, look_into
from lowpanbudget.capture.follow.other_readings import advised
from lowpanbudget.capture.follow.parts import DatagramPart
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.recent import Recent
from lowpanbudget.errors import Malformed, RequestError, plural, repeated
from lowpanbudget.stack.decoder import Decoder
from lowpanbudget.stack.events import Discarded, TimedOut

if TYPE_CHECKING:
    from lowpanbudget.capture.follow.matching import Matcher

NO_FRAME = (
    "Look whether the receiver listens on the channel of the network, and has written its file"
)
CUT_OFF = "Copy the file again from where it was captured: it was cut or damaged on the way"
AS_HEX = "Write two hex digits an octet, a frame a line; # begins a comment"
FEW = 3  # frames that are shown of a capture unless some are named
_MOST_HELD = 4096  # first fragments that are remembered


def pick(
    trace: Trace, records: CaptureFile, numbers: Iterable[int], name: str
) -> tuple[list[Sighting], int]:
    """Return the frames of these numbers, or the first few wanted, and how many the capture called ``name`` has.

    All before them are followed, since contexts and fragments come from there; those behind them until it is known
    what became of their datagrams; none of a capture without frames, unless some are named.
    Raises ``RequestError`` for a number that the capture does not have, ``Malformed``
    where the file is cut or damaged before its first frame.
    """
    named = set(numbers)
    counted = _Counted(records)
    picked = _picked(trace, counted, named)
    counted.finish()
    missing = sorted(named - set(picked))
    if not counted.count:
        for notice in records.notices:
            if notice.is_damage:
                hint = AS_HEX if notice.name == LINE_GARBLED else CUT_OFF
                raise Malformed(f"{name}: {notice.text}", offset=notice.offset, hint=hint)
        if not named:
            return [], 0
        raise RequestError(f"{name} has 0 frames: there is nothing to show", hint=NO_FRAME)
    if missing or not picked:
        text = f"{name} has {plural(counted.count, 'frame')}"
        if missing and 0 < missing[0] <= counted.count:
            text += f"; frame {missing[0]} is of another PAN than the one asked for"
            raise RequestError(text, hint="Leave the PAN ID out to see it")
        if missing:
            text += f"; there is no frame {repeated(missing[0])}"
            raise RequestError(text, hint="Frames count from 1")
        raise RequestError(
            f"{text}, none of them as asked for",
            hint="Ask for another node, flow or time; survey tells which there are",
        )
    return [picked[number] for number in sorted(picked)], counted.count


def lone(
    octets: bytes,
    decoder: Decoder,
    *,
    fcs: int,
    asn: int | None,
    matcher: "Matcher | None",
    opener: ContentOpener | None = None,
) -> Sighting:
    """Return a frame that stands in no capture, as a sighting with number 0; ``fcs`` octets of it are its FCS."""
    body = RecordBody(FRAME, octets) if asn is None else RecordBody.in_slot(octets, asn)
    record = Record(0, None, FRAME_TYPE, octets, len(octets))
    sighting = Sighting(record, body, decoder, matcher, octets, fcs)
    if sighting.frame is not None:
        sighting.decoded(advised(sighting.frame, decoder, fcs))
    frame = sighting.as_frame
    sighting.payload = frame.payload
    if frame.datagram is not None:
        sighting.datagram = frame.datagram.octets
        sighting.parts = (DatagramPart(0, len(frame.payload or b"")),)
        if opener is not None:
            sighting.flow = flow_of(sighting.datagram)
            look_into(sighting, opener)
    return sighting


class _Counted(Iterator[Record]):
    """Counts what is read through it."""

    def __init__(self, records: Iterable[Record]) -> None:
        self._records = iter(records)
        self.count = 0

    def __next__(self) -> Record:
        record = next(self._records)
        self.count += 1
        return record

    def finish(self) -> None:
        """Read what is left."""
        for _ in self:
            pass


def _picked(trace: Trace, records: Iterator[Record], wanted: set[int]) -> dict[int, Sighting]:
    picked: dict[int, Sighting] = {}
    firsts = Recent[int, Sighting](_MOST_HELD)
    last = max(wanted, default=0)
    for sighting in trace.follow(records):
        number = sighting.number
        part = None if sighting.example is None else sighting.example.fragment
        if part is not None and part.first:
            firsts[number] = sighting
        is_wanted = number in wanted if wanted else len(picked) < FEW and not sighting.outside
        if is_wanted:
            picked[number] = sighting
        if len(sighting.parts) > 1 and picked:
            _attach(picked, sighting, firsts)
        _give_up(picked, sighting.ended)
        is_over = number >= last if wanted else len(picked) == FEW
        if is_over and not any(sighting.is_open for sighting in picked.values()):
            break
    _give_up(picked, trace.leftover)
    return picked


def _attach(picked: dict[int, Sighting], whole: Sighting, firsts: dict[int, Sighting]) -> None:
    """Give the datagram that a frame completes to all picked frames that brought it."""
    first = next((firsts[number] for number in whole.numbers if number in firsts), None)
    for number in whole.numbers:
        if number in picked:
            picked[number].whole, picked[number].first = whole, first


def _give_up(picked: dict[int, Sighting], ended: Iterable[TimedOut | Discarded]) -> None:
    """Note why fragments never became a datagram."""
    for event in ended:
        late = "its fragments were not whole in time"
        reason = event.reason if isinstance(event, Discarded) else late
        for part in event.marks:
            if part.number in picked and picked[part.number].whole is None:
                picked[part.number].never_whole = reason
