"""A frame whose context is not known, read on: as with the context, but for what hangs on the prefix."""

from dataclasses import replace

import pytest
from capture import captures as air
from hypothesis import given, settings
from hypothesis import strategies as st
from stack.test_uncompressed import CONTEXTS, NODE, ROOT, datagrams, framed

from lowpanbudget import Env, compress, decode_frame, encode_frame, split
from lowpanbudget.bits import Nature, Writer, tiles
from lowpanbudget.env import Contexts
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.lowpan.mesh import Mesh
from lowpanbudget.layers.lowpan.mesh import encode as encode_mesh
from lowpanbudget.stack.beyond import beyond_unknown_context
from lowpanbudget.stack.frame import Frame

ENV = Env(NODE, ROOT, contexts=CONTEXTS)
ADDRESSES = {"source address", "destination address"}


def assert_read_on(unknown: Frame, known: Frame) -> None:
    """RFC 6282 section 3.1.1: a context gives bits of addresses; which octets are in line the encodings say."""
    frame = beyond_unknown_context(unknown)
    assert frame.fault is unknown.fault is not None
    assert (frame.heads, frame.datagram) == (unknown.heads, None)
    assert tiles(frame.spans, 8 * len(frame.octets))
    assert len(frame.spans) == len(known.spans)
    for span, whole in zip(frame.spans, known.spans, strict=True):
        assert span[:4] == whole[:4]
        if span.name in ADDRESSES and "not known without context" in span.meaning:
            assert span.value is None
        elif span.name in ADDRESSES and span.bits:
            assert span.value == whole.value
        else:
            assert (span.value, span.meaning) == (whole.value, whole.meaning)


@settings(max_examples=80)
@given(datagrams(), st.sampled_from([Contexts(), Contexts({3: "2001:db8:51::/48"})]))
def test_what_stands_behind_is_read_as_with_the_context(packet: bytes, few: Contexts) -> None:
    payload = compress(packet, ENV).octets
    unknown, known = framed(payload, few), framed(payload)
    if unknown.fault is None:
        assert beyond_unknown_context(unknown) is unknown
    else:
        assert_read_on(unknown, known)


def test_in_a_first_fragment() -> None:
    packet = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), bytes(200))
    first = split(packet, ENV, room=80)[0]
    assert_read_on(framed(first, Contexts()), framed(first))


def test_behind_a_mesh_header() -> None:
    """RFC 4944 section 5.2: its ends count for what is elided."""
    far, writer = air.short(0x42), Writer()
    encode_mesh(writer, Mesh(hops_left=5, originator=far, final=ROOT))
    packet = air.udp_datagram(air.ip_of(far), air.ip_of(ROOT), b"x")
    payload = bytes(writer.data) + compress(packet, Env(far, ROOT, contexts=CONTEXTS)).octets
    assert_read_on(framed(payload, Contexts()), framed(payload))


def test_in_a_frame_that_was_opened() -> None:
    """IEEE 802.15.4 seals the payload: it is read in the clear, and stands where it was sealed."""
    packet = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), b"data")
    mac = replace(air.mac_of(NODE, ROOT), security=Security(5, 1, 7, key_index=1))
    octets = encode_frame(mac, compress(packet, ENV).octets, key=air.KEY).octets
    assert_read_on(
        decode_frame(octets, keys=(air.KEY,)),
        decode_frame(octets, keys=(air.KEY,), contexts=CONTEXTS),
    )


@pytest.mark.parametrize("octets", ["7a 33 11 00", "7e 33", "ff", "7d 00"])
def test_other_faults_are_left(octets: str) -> None:
    frame = framed(bytes.fromhex(octets), Contexts())
    read = beyond_unknown_context(frame)
    is_context = frame.fault is not None and "context" in frame.fault.message
    assert is_context or read is frame


@settings(max_examples=150)
@given(st.binary(max_size=110))
def test_any_octets(octets: bytes) -> None:
    """Behind the word of IPHC that names contexts (section 3.1.1) whatever comes is read, or told as not decoded."""
    for begins in (b"", b"\x7e\x77", b"\x7c\xf7\x9a"):
        frame = beyond_unknown_context(framed(begins + octets, Contexts()))
        assert tiles(frame.spans, 8 * len(frame.octets))
        unread = [span for span in frame.spans if span.nature is Nature.UNREAD]
        assert len(unread) <= 1
