"""Whether an FCS is there is tested, whatever the link type says. The sum itself is checked elsewhere."""

import random

import pytest
from capture.captures import CONTEXTS, eui, frames_of, ip_of, mixed, records, udp_datagram

from lowpanbudget import Mac, encode_frame
from lowpanbudget.capture.follow.flows import application_of
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.layers.link.mac import FrameType

GOOD = [
    frames_of(
        udp_datagram(ip_of(eui(n)), ip_of(eui(2)), bytes([n]) * 9), eui(n), eui(2), sequence=n
    )[0]
    for n in range(3, 30)
]
ACKS = [encode_frame(Mac(FrameType.ACKNOWLEDGEMENT, 0, n), b"").octets for n in range(8)]
RNG = random.Random(8)
LONG = [
    frames_of(udp_datagram(ip_of(eui(n)), ip_of(eui(2)), b"x"), eui(n), eui(2), fcs=4)[0]
    for n in range(3, 12)
]


def status(frame: bytes, *, good: bool = True) -> bytes:
    """Signal strength, then link quality with the first bit for a right FCS (common practice, no source)."""
    return frame[:-2] + bytes([RNG.randrange(256), (0x80 if good else 0) | RNG.randrange(60, 110)])


@pytest.mark.parametrize(
    ("frames", "link_type", "state", "octets", "status_octets"),
    [
        (GOOD, 195, "present", 2, 0),
        (GOOD[:1], 195, "present", 2, 0),
        ([*GOOD[:9], b"\x41\x88\x00damaged"], 195, "present", 2, 0),
        (GOOD, 230, "present", 2, 0),
        ([f[:-2] for f in GOOD], 230, "absent", 0, 0),
        ([f[:-2] for f in GOOD], 195, "stripped", 0, 0),
        ([status(f) for f in GOOD], 195, "radio status", 0, 2),
        ([status(f, good=False) for f in GOOD], 195, "radio status", 0, 2),
        ([f[:-2] for f in ACKS], 195, "stripped", 0, 0),
        ([status(f, good=False) for f in ACKS], 195, "radio status", 0, 2),
        ([status(b"\x41\x88\x01no datagram at all!")] * 9, 195, "radio status", 0, 2),
        # that one of them is right by chance, with two octets alike, changes nothing
        ([f[:-2] + f[:-3:-1] for f in GOOD], 195, "summed otherwise", 0, 2),
        ([GOOD[0], *(f[:-2] + f[:-3:-1] for f in GOOD[1:])], 195, "summed otherwise", 0, 2),
        ([f[:-1] + bytes([f[-1] ^ 5]) for f in GOOD], 195, "summed otherwise", 0, 2),
        ([GOOD[0][:-2] + b"\x2a\x8c"] * 9, 195, "radio status", 0, 2),
        (LONG, 195, "present", 4, 0),
        ([GOOD[0][:-2]], 195, "unclear", 2, 0),
        # the length that the PHY puts before a frame (IEEE 802.15.4-2006 clause 6.3.3, from memory), and any three
        ([bytes([len(f)]) + f for f in GOOD], 195, "octets ahead", 0, 0),
        ([b"\x07" + RNG.randbytes(2) + f for f in GOOD], 230, "octets ahead", 0, 0),
    ],
)
def test_what_stands_at_the_end(
    frames: list[bytes], link_type: int, state: str, octets: int, status_octets: int
) -> None:
    trace = Trace(contexts=CONTEXTS)
    sighting = list(trace.follow(records(frames, link_type)))
    verdict = trace.fcs[link_type, None]
    assert (verdict.state, verdict.octets, verdict.status) == (state, octets, status_octets)
    assert verdict.tested == min(len(frames), 64)
    assert verdict.text
    for one in sighting:
        assert one.status == (one.record.octets[-2:] if status_octets else b"")
        if state != "unclear" and one.template is not None and one.template.example.mac is not None:
            assert one.damaged == (b"damaged" in one.octets)
        if frames[0] in GOOD or frames == LONG:
            assert one.damaged or one.datagram is not None


def test_octets_before_frames_are_told_with_what_they_are() -> None:
    trace = Trace()
    list(trace.follow(records([bytes([len(f)]) + f for f in GOOD])))
    told = trace.fcs[195, None].text
    assert "in most of them behind 1 octet, the length of what follows" in told


def test_status_is_never_counted_as_payload() -> None:
    trace = Trace(contexts=CONTEXTS)
    for sighting in trace.follow(records([status(f) for f in GOOD])):
        assert sighting.contents is not None
        assert application_of(sighting.contents) == application_of(sighting.contents)[:1] * 9


def test_a_single_frame_without_fcs_is_still_read() -> None:
    """Nothing proves that it is damaged: its datagram is handed on, with the doubt in a notice."""
    (sighting,) = Trace(contexts=CONTEXTS).follow(records([GOOD[0][:-2]]))
    assert sighting.fcs_ok is False
    assert not sighting.damaged
    assert "fcs-wrong" in [n.name for n in sighting.notices]


def test_told_is_not_tested() -> None:
    trace = Trace(contexts=CONTEXTS, fcs=0)
    list(trace.follow(records(mixed(80))))
    assert not trace.fcs


def test_each_link_type_is_tested_by_itself() -> None:
    mixed_types = [
        record._replace(
            link_type=195 if record.number % 2 else 230, octets=octets, original_length=len(octets)
        )
        for record in records(GOOD)
        for octets in [record.octets if record.number % 2 else record.octets[:-2]]
    ]
    trace = Trace(contexts=CONTEXTS)
    assert all(t.datagram is not None for t in trace.follow(mixed_types))
    assert {number: v.state for (number, _), v in trace.fcs.items()} == {
        195: "present",
        230: "absent",
    }


@pytest.mark.parametrize("filling", [bytes(4), b"\xde\xad\xbe\xef"])
@pytest.mark.parametrize("has_datagrams", [True, False])
def test_four_octets_of_fcs_that_are_not_filled_in_are_no_payload(
    filling: bytes, *, has_datagrams: bool
) -> None:
    """Element 0 tells an FCS of type 2, of 32 bits (link type 283, from memory)."""
    frames = [f[:-2] for f in GOOD] if has_datagrams else [b"\x41\x88\x01no datagram at all!"] * 9
    head = bytes([0, 0, 12, 0, 0, 0, 1, 0, 2, 0, 0, 0])
    trace = Trace(contexts=CONTEXTS)
    for sighting in trace.follow(records([head + f + filling for f in frames], 283)):
        assert sighting.status == filling
        assert sighting.octets == frames[sighting.number - 1]
        assert sighting.datagram is not None or not has_datagrams
    verdict = trace.fcs[283, None]
    assert (verdict.state, verdict.octets, verdict.status) == ("radio status", 0, 4)
    assert verdict.claimed == 4


def test_reception_elements_that_tell_the_fcs_of_each_frame_are_believed() -> None:
    """Two receivers in one capture, one without FCS: element 0 is the FCS type, 0 none and 1 of 16 bits (link type
    283, from memory)."""
    told = []
    for record in records(GOOD, 283):
        kept = record.number % 2
        octets = bytes([0, 0, 12, 0, 0, 0, 1, 0, kept, 0, 0, 0])
        octets += record.octets if kept else record.octets[:-2]
        told.append(record._replace(octets=octets, original_length=len(octets)))
    trace = Trace(contexts=CONTEXTS)
    for sighting in trace.follow(told):
        assert sighting.datagram is not None
        assert sighting.fcs_ok is (True if sighting.number % 2 else None)
    assert trace.fcs[283, None].as_claimed
