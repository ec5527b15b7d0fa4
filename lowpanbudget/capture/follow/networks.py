"""Which network a frame is of: its PAN; an acknowledgement that names none is of the frame that asked for it."""

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice

from lowpanbudget.bits import Reader
from lowpanbudget.capture.files.link_types import FRAME, RecordBody, unwrap
from lowpanbudget.capture.files.reading import CaptureFile, read_capture
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.receivers import Receivers
from lowpanbudget.capture.follow.repeats import ACK_WITHIN_NS
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.errors import RequestError, WireError, plural, repeated
from lowpanbudget.layers.link.control import FrameForm
from lowpanbudget.layers.link.leading import read_leading
from lowpanbudget.layers.link.mac import BROADCAST_PAN, FrameType, Mac
from lowpanbudget.layers.link.stations import network_named, network_of

MOST_TOLD = 8  # PANs that are named
_NOT_KEPT = b"\xff" * 22  # as many octets as addresses and PAN IDs have; 0xffff names no PAN
_HOW_PAN = (
    "A PAN ID is 0x0000 to 0xfffe; the JSON of a survey tells those of a capture as its networks"
)
_MOST_READ = 1 << 16


def pan_named(pan: object, name: str) -> int:
    """Return a PAN ID given as a number, or as text such as 0x1a2b; raises ``RequestError`` that names ``name``."""
    number, hint = pan, _HOW_PAN
    if isinstance(pan, str):
        try:
            number = int(pan.strip(), 0)
        except ValueError:
            number = None
            if re.fullmatch(r"\s*[0-9a-fA-F]{1,4}\s*", pan):
                hint = f"Write 0x{pan.strip()}. {_HOW_PAN}"
    if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number < BROADCAST_PAN:
        raise RequestError(f"{name} {repeated(pan)} is no PAN ID", hint=hint)
    return number


def networks_text(frames: Sequence[tuple[str, int]]) -> str:
    """Return that a capture has frames of several PANs, each with how many, and how to see one alone."""
    told = [f"{name} {plural(count, 'frame')}" for name, count in frames[:MOST_TOLD]]
    if len(frames) > MOST_TOLD:
        told.append(f"and {len(frames) - MOST_TOLD} more")
    return (
        f"Frames of {len(frames)} PANs: {', '.join(told)}. A short address is one in its PAN alone: flows and nodes "
        "are told by network. Asked for by its PAN ID, one is told as if nobody had heard the others."
    )


def pans_of(capture: str) -> list[int]:
    """Return PANs that a file has frames of, among its first 65536 records; those with the most frames first."""
    with read_capture(capture) as records:
        networks, heard = Networks(), Counter[int | None]()
        for record in islice(records, _MOST_READ):
            body = unwrap(record)
            if body.kind == FRAME:
                heard[_pan_of(body, record, networks)] += 1
    del heard[None]
    return [pan for pan, _ in heard.most_common(MOST_TOLD) if pan is not None]


class Networks:
    """Tells the PAN of frames in their order; one that is damaged is of a PAN that others named.

    An acknowledgement need not name a PAN (IEEE 802.15.4-2020 clause 7.3.3, from memory: an Imm-Ack has no address
    field): it is of the network of the last frame on its channel that asked for one under its number, just before.
    Frames of version 2 are answered by acknowledgements of version 2, others by others (clause 6.7.2, from memory).
    """

    def __init__(self) -> None:
        self._asked: dict[tuple[object, int | None, bool], tuple[int | None, int | None]] = {}
        self._named: set[int] = set()

    def heard(self, sighting: Sighting) -> int | None:
        """Return the PAN of a frame that was followed; None where nothing tells it."""
        mac = None if sighting.example is None else sighting.example.mac
        if mac is None:
            return None
        pan = network_of(mac)
        if sighting.damaged:
            return pan if pan in self._named else None
        if pan is not None:
            self._named.add(pan)
        return self.of(pan, sighting.body, sighting.record.time_ns, sighting.sequence, mac)

    def of(
        self,
        pan: int | None,
        body: RecordBody,
        time_ns: int | None,
        sequence: int | None,
        form: FrameForm | Mac,
    ) -> int | None:
        """Return the PAN of a frame that names ``pan``; None where nothing tells it."""
        number = body.fields.get("channel"), sequence, form.version >= 2
        if form.ack_request:
            self._asked[number] = pan, time_ns
        elif pan is None and form.frame_type == FrameType.ACKNOWLEDGEMENT:
            asked, asked_ns = self._asked.get(number, (None, None))
            if time_ns is None or asked_ns is None or time_ns - asked_ns <= ACK_WITHIN_NS:
                return asked
        return pan


class OwnNetwork:
    """Picks the frames of one PAN, and what goes to all; None stands for every PAN.

    ``left_out`` counts the others, each sending once.
    """

    def __init__(self, pan: object) -> None:
        self.pan = None if pan is None else pan_named(pan, "pan")
        self.left_out = 0
        self._receivers = Receivers()

    def of(self, records: Iterable[Record]) -> Iterable[Record]:
        """Return the records of a capture but those of other PANs."""
        return records if self.pan is None else self._picked(records)

    def _picked(self, records: Iterable[Record]) -> Iterator[Record]:
        networks, own = Networks(), {self.pan, None}
        for record in records:
            body = unwrap(record)
            if body.kind != FRAME or _pan_of(body, record, networks) in own:
                yield record
            else:
                self._leave_out(record, body.octets)
                if isinstance(records, CaptureFile) and record.original_length > len(record.octets):
                    records.forget_cut(record.number)

    def _leave_out(self, record: Record, octets: bytes) -> None:
        receiver = record.receiver
        if receiver is None or not self._receivers.heard(
            receiver, record.number, record.time_ns, octets
        ):
            self.left_out += 1


def _pan_of(body: RecordBody, record: Record, networks: Networks) -> int | None:
    """Return the PAN of a frame; None of one that names none, or cannot be read so far."""
    octets = body.octets
    if len(record.octets) < record.original_length:
        octets += _NOT_KEPT
    try:
        form, sequence, to_pan, _, from_pan, _ = read_leading(Reader(octets))
    except WireError:
        return None
    named = network_named(from_pan, to_pan)
    return networks.of(named, body, record.time_ns, sequence, form)
