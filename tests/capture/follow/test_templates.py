"""Free places: whatever stands there, a frame is read in the same way."""

import random

from capture.captures import (
    CONTEXTS,
    eui,
    frames_of,
    ip_of,
    mixed,
    records,
    udp_datagram,
)
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget import decode_frame
from lowpanbudget.capture.follow.memo import Mask
from lowpanbudget.capture.follow.templates import layer_bits
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.surveyor import survey
from lowpanbudget.stack.frame import Frame

A, B = eui(1), eui(2)
FRAMES = [
    octets[:-2] for octets in mixed(300)
]  # without FCS, which would be wrong for other octets


def form_of(frame: Frame) -> list[tuple[object, ...]]:
    """Return what is the same for frames that are read alike: places and names, values but for the free ones."""
    free = {at for place in frame.free for at in range(place.start * 8, place.end * 8)}
    return [
        (
            span.offset_bits,
            span.bits,
            span.layer,
            span.name,
            None if span.offset_bits in free else span.value,
        )
        for span in frame.spans
    ]


@given(st.sampled_from(FRAMES), st.randoms(use_true_random=False))
def test_other_octets_at_free_places_are_read_alike(octets: bytes, rng: random.Random) -> None:
    frame = decode_frame(octets, fcs=False, contexts=CONTEXTS)
    if any(notice.name in {"payload-unreadable", "key-missing"} for notice in frame.notices):
        return
    other = bytearray(octets)
    for place in frame.free:
        other[place.start : place.end] = rng.randbytes(place.end - place.start)
    again = decode_frame(bytes(other), fcs=False, contexts=CONTEXTS)
    assert again.free == frame.free
    assert form_of(again) == form_of(frame)
    assert type(again.fault) is type(frame.fault)
    if frame.datagram is not None and again.datagram is not None:
        assert len(again.datagram.octets) == len(frame.datagram.octets)


def test_payloads_of_any_length_are_read_after_one_template() -> None:
    """Lengths are elided here: one decoding serves all lengths, and each datagram has its own."""
    sent = [udp_datagram(ip_of(A), ip_of(B), bytes([n]) * n) for n in (9, *range(1, 60))]
    frames = [octets for datagram in sent for octets in frames_of(datagram, A, B)]
    trace = Trace(contexts=CONTEXTS, fcs=2)
    seen = list(trace.follow(records(frames)))
    assert [sighting.datagram for sighting in seen] == sent
    assert len({id(sighting.template) for sighting in seen}) == 1
    for sighting, octets in zip(seen, frames, strict=True):
        frame = decode_frame(octets, contexts=CONTEXTS)
        assert sighting.layer_bits == layer_bits(frame.spans)
    total = survey(records(frames), contexts=CONTEXTS, fcs=2).total
    assert total.application == 9 + sum(range(1, 60))


def test_frames_have_free_places() -> None:
    """Sequence number, tag or checksum, and payload: most frames have three."""
    counts = [len(decode_frame(octets, fcs=False, contexts=CONTEXTS).free) for octets in FRAMES]
    assert max(counts) >= 4  # CoAP: message id and token as well
    assert sum(count >= 3 for count in counts) > len(FRAMES) // 2


def test_first_fragments_of_any_tag_are_read_after_one_template() -> None:
    """The tag is the last of the four octets of RFC 4944 figure 4: what is free there is no part of the datagram."""
    sent = [udp_datagram(ip_of(A), ip_of(B), bytes([n]) * 150) for n in range(1, 6)]
    firsts = [frames_of(datagram, A, B, tag=0x700 + n)[0] for n, datagram in enumerate(sent)]
    seen = list(Trace(contexts=CONTEXTS, fcs=2).follow(records(firsts)))
    assert len({id(sighting.template) for sighting in seen}) == 1


def test_frames_with_and_without_a_tail_are_not_read_alike() -> None:
    """A payload that is not there is none of no octets: a mask with a tail asks whether there are any."""
    mask = Mask(1, ((0, 2),), 2)
    none, one, two = (mask.key(None, octets) for octets in (b"ab", b"abc", b"abcd"))
    assert none != one == two
    whole = Mask(1, ((0, 2),), None)
    assert whole.key(None, b"abc") != whole.key(None, b"abcd")


def test_damaged_frames_like_others_bring_the_same_headers_without_being_decoded() -> None:
    """Octets changed at places on which no reading hangs: what a decoder tells of the headers is the same."""
    dice, damaged = random.Random(802154), []
    frames = mixed(300)
    for octets in frames:
        changed = bytearray(octets)
        place = dice.choice(decode_frame(octets, contexts=CONTEXTS).free)
        changed[place.end - 1] ^= 1 << dice.randrange(8)
        damaged.append(bytes(changed))
    ways = []
    for damage in (True, False):
        trace = Trace(contexts=CONTEXTS, fcs=2)
        trace.reader.damage = damage
        ways.append(list(trace.follow(records(frames + damaged)))[len(frames) :])
    decoded = 0
    for full, after in zip(*ways, strict=True):
        assert after.damaged
        assert after.datagram is None
        for name in ("sequence", "payload", "source", "destination", "flow", "kind", "layer_bits"):
            assert getattr(after, name) == getattr(full, name), name
        template = after.template
        assert template is not None
        assert not template.facts  # what was found out of those before is not true of this one
        decoded += template.example.octets == after.octets
    assert 0 < decoded < len(damaged) // 4


@given(st.randoms(use_true_random=False), st.booleans())
def test_wrong_checksums_are_noticed_as_in_frames_read_in_full(
    rng: random.Random, is_known: bool
) -> None:
    """Right, changed on the way, zero, and under a prefix that is not known here, in any order; other lengths too."""
    frames = []
    for _ in range(40):
        data = rng.randbytes(rng.choice((1, 8, 9)))
        one = bytearray(frames_of(udp_datagram(ip_of(A), ip_of(B), data), A, B)[0][:-2])
        changed = rng.choice((0, 0, 1, 2))
        at = len(one) - len(data) - 2  # the checksum, in line before the data
        one[at : at + 2] = bytes(2) if changed == 2 else one[at : at + 2]
        one[-1] ^= changed == 1
        frames.append(bytes(one))
    contexts = CONTEXTS if is_known else {0: "2001:db8:9::/64"}
    seen = list(Trace(contexts=contexts, fcs=0).follow(records(frames)))
    for sighting, octets in zip(seen, frames, strict=True):
        frame = decode_frame(octets, fcs=False, contexts=contexts)
        assert frame.datagram is not None
        assert sighting.notices == frame.notices
        assert sighting.datagram == frame.datagram.octets
    assert len({id(sighting.template) for sighting in seen}) <= 2  # of right ones, of wrong ones
