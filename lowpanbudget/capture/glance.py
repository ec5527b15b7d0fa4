"""Frames of a survey at a glance: one that is like a frame before adds what that added, and no sighting is made of it.

What is left of following such a frame is what no other frame tells: whether its FCS is right, whether it says again
what was said, and its number in its sender's sequence. Whatever else there is to it is followed.
"""

from math import inf
from typing import Any, NamedTuple

from lowpanbudget.capture.files.link_types import unwrap
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.parts import flow_of_parts, part_of
from lowpanbudget.capture.follow.repeats import link_ends
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.templates import HeaderTemplate, Template
from lowpanbudget.capture.follow.tracing import SECOND, Trace
from lowpanbudget.capture.tally import see
from lowpanbudget.capture.tally_place import TallyPlace, assembled_key
from lowpanbudget.layers.link.fcs import is_right
from lowpanbudget.layers.link.mac import FrameType
from lowpanbudget.layers.link.stations import Station
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.stack.events import Complete
from lowpanbudget.stack.fragment_key import KeyFields, fields_of
from lowpanbudget.stack.pieces import sent_fragment


class Kind(NamedTuple):
    """What frames that are alike have in common: where they are counted, who sent them to whom, where the number is."""

    place: TallyPlace
    start: int
    sequence: int | None  # where its one octet stands
    source: Station | None
    destination: bytes
    is_answer: bool
    key: KeyFields  # of a fragment's datagram, but for the tag; nothing for others


class Glance:
    """Counts the frames of a trace for a surveyor, as both would do together; ``frames`` are those it counted."""

    def __init__(self, trace: Trace, surveyor: Any) -> None:
        self._trace, self._surveyor = trace, surveyor
        self._known, self._regulars = trace.reader.known, trace.reader.regulars
        self._numbers = surveyor.gaps.last
        self.frames = 0

    def counts(self, record: Record) -> bool:
        """Count a frame that is like one before; return False, with nothing counted, for one that is to be followed."""
        number, time_ns, link_type, octets, original, _, receiver = record
        trace = self._trace
        first_ns, ends_ns = trace.first_ns, trace.known.next_end_ns
        fcs = (
            None if receiver is not None or trace.twins.are_there else trace.endings.bare(link_type)
        )
        if fcs is None or len(octets) != original or time_ns is None or first_ns is None:
            return False
        if ends_ns is not None and ends_ns < time_ns:
            return False  # something of what is known does not hold any more
        alike = self._known(octets, fcs)
        if alike is None:
            return False
        template = alike[1]
        kind = template.facts.get(self) or self._kind(*alike)
        if not isinstance(kind, Kind):
            return False
        place, start, at, source, destination, is_answer, key = kind
        end = len(octets) - fcs
        payload = octets[start:end]
        trace.time_s = time_s = (
            time_ns - first_ns
        ) / SECOND  # it is the same where the frame is followed
        if time_s > trace.passed_s:  # noqa: PLR1730  # for every frame
            trace.passed_s = time_s
        if fcs and not is_right(octets, fcs):
            return self._damaged(record, place, len(payload))
        amounts = place.amounts.get((len(payload), len(octets), False))
        if amounts is None and not key:
            return False
        sequence = None if at is None else octets[at]
        if is_answer:
            trace.repeats.answer(sequence)
        if source is not None and payload:
            mark = hash(payload + destination)
            if not trace.repeats.is_new(source, number, time_ns, sequence, mark):
                return False
        self._regulars.again += 1
        self.frames += 1
        if key:
            found = self._fragment(record, fcs, payload, key, template, sequence)
            if found is None:
                return True
            place = found
        elif amounts is not None:
            amounts.frames += 1
        tally = place.tally
        if sequence is not None and place.sequence is not None:
            tally.lost += self._numbers.take(place.sequence, sequence)
        if tally.last_ns is not None and tally.last_ns <= time_ns:
            tally.last_ns = time_ns
        else:
            see(tally, time_ns)
        return True

    def _damaged(self, record: Record, place: TallyPlace, payload: int) -> bool:
        """Count a frame that a receiver drops; return False, with nothing counted, for one that is to be followed."""
        amounts = place.amounts.get((payload, len(record.octets), True))
        if amounts is None or place.is_fragment or not self._trace.endings.is_certain(record):
            return False
        self._regulars.again += 1
        self.frames += 1
        amounts.frames += 1
        self._surveyor.leave_damaged(place.tally)
        see(place.tally, record.time_ns)
        return True

    def _fragment(
        self, record: Record, fcs: int, payload: bytes, ends: KeyFields, template: Template, sequence: int | None
    ) -> TallyPlace | None:  # fmt: skip
        """Take a fragment that repeats none; return where it is counted, None where that was done.

        A sighting is made of one with which something becomes of a datagram.
        """
        trace, octets, part = self._trace, record.octets, template.example.fragment
        assert isinstance(part, Fragment)
        assert template.tag is not None
        trace.reassembler.expired(trace.passed_s)
        trace.passed_s = -inf
        trace.turn_to(octets)
        source, destination, size, _, pan = ends
        key = source, destination, size, template.tag.number(payload), pan
        built = template.build(payload)
        assert built is not None  # of a fragment no checksum is tested
        mark = part_of(record.number, payload, template, octets)
        sent = sent_fragment(part.offset, built, trace.time_s, mark, first=part.first)
        events = trace.reassembler.take(key, sent, built, template.example)
        whole = events[0] if len(events) == 1 and isinstance(events[0], Complete) else None
        marks = trace.reassembler.marks_of(key) if whole is None else whole.marks
        flow, place = template.flow or flow_of_parts(marks), template.facts.get(self._surveyor)
        if isinstance(place, TallyPlace) and place.flow is flow:
            amounts, assembled = place.amounts.get((len(payload), len(octets), False)), None
            if whole is not None:
                assembled = place.assembled.get(assembled_key(marks, len(whole.datagram.octets)))
            if amounts is not None and (not events or assembled is not None):
                if assembled is not None:
                    assembled.add(place.tally)
                amounts.frames += 1
                place.tally.fragments += 1
                return place
        sighting = Sighting(
            record, unwrap(record), trace.reader.decoder, trace.matcher, octets, fcs,
            fcs_ok=True if fcs else None, template=template, sequence=sequence, payload=payload,
            flow=flow, notices=template.notices,
        )  # fmt: skip
        trace.take(sighting, events, ())
        self._surveyor.add(sighting)
        return None

    def _kind(self, header: HeaderTemplate, template: Template) -> Kind | None:
        """Return what frames with these templates are, where one of them was counted before and all are plain."""
        place, example = template.facts.get(self._surveyor), template.example
        if not isinstance(place, TallyPlace) or not place.is_plain or template.lesson is not None:
            return None
        (source, destination), fragment = link_ends(example), template.fragment
        is_answer = header.mac.frame_type == FrameType.ACKNOWLEDGEMENT
        kind = Kind(
            place,
            header.mac.header_length,
            None if header.sequence is None else header.sequence.start,
            source,
            destination,
            is_answer,
            () if not isinstance(fragment, Fragment) else fields_of(example, fragment),
        )
        template.facts[self] = kind
        return kind
