"""No total of a survey depends on a UDP checksum: frames with right and wrong ones are counted alike."""

import random
from typing import Any

import pytest
from capture.captures import CONTEXTS, KEY, eui, frames_of, ip_of, records, short, udp_datagram
from capture.columns.columns_help import by_columns
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.survey import Survey
from lowpanbudget.capture.surveyor import Surveyor, survey

LINKS = (eui(1), eui(2), short(3))
# ports in one octet with a length of the same value beside them: 0xf0b1 to 0xf0b2 is 0x12, as 8 + 10 octets are long;
# in four octets; of CoAP, where octets behind are read
PORTS = ((0xF0B1, 0xF0B2), (0xF0B0, 0xF0B2), (5000, 20), (61616, 6000), (61000, 5683))
COAP = b"\x40\x02\x12\x34\xb1r\xff"


def followed(some: list[Record], **known: Any) -> Survey:
    """Return what is counted by somebody who asks of each frame whether its checksum is right."""
    trace, surveyor = Trace(**known), Surveyor()
    for sighting in trace.follow(some):
        surveyor.add(sighting)
    surveyor.end(trace.leftover)
    return surveyor.survey(trace.fcs.values(), trace.receptions)


def damaged(datagram: bytes, what: str) -> bytes:
    """Return a datagram whose checksum is wrong: of a payload that changed on its way, any, or none."""
    changed = bytearray(datagram)
    if what == "payload":
        changed[-1] ^= 0x21
    elif what == "checksum":
        changed[46:48] = b"\x12\x34"  # behind 40 octets of IPv6 and 6 of UDP
    elif what == "none":
        changed[46:48] = bytes(2)
    return bytes(changed)


def readings(kinds: list[str], sizes: list[int]) -> list[bytes]:
    frames: list[bytes] = []
    for number, what in enumerate(kinds):
        datagram = udp_datagram(
            ip_of(eui(1)), ip_of(eui(9)), random.Random(number).randbytes(sizes[number])
        )
        frames += frames_of(damaged(datagram, what), eui(1), eui(9), sequence=number & 0xFF)
    return frames


@pytest.mark.parametrize("first", ["right", "payload"])
def test_wrong_checksums_are_counted_by_columns(first: str) -> None:
    """Whatever the first frame had, which the others are counted like."""
    kinds = [first] + ["right", "payload", "checksum", "none"] * 50
    made = records(readings(kinds, [20] * len(kinds)))
    found, shares = by_columns(made, contexts=CONTEXTS)
    assert found == followed(made, contexts=CONTEXTS) == survey(made, contexts=CONTEXTS)
    assert found.total.application == 201 * 20
    assert shares.followed == 0


def test_a_length_beside_a_port_of_its_value_is_not_that_of_others() -> None:
    """The port octet 0x12 stands where 18 octets of UDP have their length; frames of other lengths are read alike."""
    sizes = [10, 20, 10, 31, 4, 10, 47]
    made = records(readings(["payload"] * 7, sizes))
    trace = Trace(contexts=CONTEXTS, fcs=2)
    trace.reader.checksums = False
    seen = [sighting.datagram or b"" for sighting in trace.follow(made)]
    # the length is the third number of a UDP header (RFC 768)
    assert [int.from_bytes(one[44:46], "big") for one in seen] == [8 + size for size in sizes]
    found, _ = by_columns(made, contexts=CONTEXTS, fcs=2)
    assert found == followed(made, contexts=CONTEXTS, fcs=2)


@st.composite
def mixtures(draw: st.DrawFn) -> list[Record]:
    """Give frames of three nodes, whole, in fragments and sealed, with checksums right and wrong in all ways."""
    rng = random.Random(draw(st.integers(0, 1 << 32)))
    wrong = draw(st.sampled_from((0.1, 0.5, 0.9, 1.0)))
    ports = rng.sample(PORTS, rng.randrange(1, 4))
    frames: list[bytes] = []
    for number in range(draw(st.integers(1, 16))):
        link, to = rng.choice(LINKS), eui(9)
        ends = rng.choice(ports)
        payload = rng.randbytes(rng.choice((1, 2, 10, 10, 20, 33, 46, 47, 150)))
        if ends[1] == 5683:
            payload = rng.choice((COAP, COAP, b"")) + payload
        sent = udp_datagram(ip_of(link), ip_of(to), payload, ends)
        if rng.random() < wrong:
            sent = damaged(sent, rng.choice(("payload", "payload", "checksum", "none")))
        key = KEY if rng.random() < 0.2 and len(link) == 8 else None
        made = frames_of(
            sent, link, to, sequence=number & 0xFF, tag=number, key=key, counter=4 * number, room=80
        )
        if rng.random() < 0.1:
            made.append(made[-1])  # sent again
        if rng.random() < 0.05:
            del made[rng.randrange(len(made))]
        frames += made
    return records(frames or readings(["right"], [20]), step_ns=rng.choice((10**7, 10**9)))


@given(made=mixtures(), is_keyed=st.booleans())
def test_any_mixture_of_checksums_is_counted_as_frames_one_by_one(
    *, made: list[Record], is_keyed: bool
) -> None:
    known: dict[str, Any] = {"contexts": CONTEXTS, "keys": KEY if is_keyed else (), "fcs": 2}
    expected = followed(made, **known)
    assert survey(made, **known) == expected
    assert by_columns(made, **known)[0] == expected
