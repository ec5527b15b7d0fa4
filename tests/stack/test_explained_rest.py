"""What stands behind compressed headers is explained alike, whether octets are compressed or were read on the air."""

from ipaddress import IPv6Address
from itertools import pairwise

import pytest

from lowpanbudget import Env, Mac, Nature, compress, decode_frame, encode_frame
from lowpanbudget.stack.frame import decode_lowpan

A, B = b"\x00\x01", b"\x00\x02"
ENV = Env(A, B)
ENDS = IPv6Address("fe80::ff:fe00:1").packed + IPv6Address("fe80::ff:fe00:2").packed
# RFC 7252 section 3: a confirmable GET, token 7f, Uri-Path "t"
COAP = bytes.fromhex("41 01 12 34 7f b1 74")
# its message ID is read, and its option 15 is longer than what is left
BROKEN = bytes.fromhex("41 01 12 34 7f bf 74")
# RFC 6347 section 4.1: application data of DTLS 1.2, epoch 1, record 5
DTLS = bytes.fromhex("17 fefd 0001 000000000005 0004 01020304")
PART = "part of a datagram"


def ip(kind: int, octets: bytes) -> bytes:
    """RFC 8200 section 3."""
    return b"\x60\0\0\0" + len(octets).to_bytes(2, "big") + bytes([kind, 64]) + ENDS + octets


def udp(port: int, octets: bytes) -> bytes:
    """RFC 768; the checksum is summed up here (RFC 1071) over the pseudo-header of RFC 8200 section 8.1."""
    head = port.to_bytes(2, "big") * 2 + (8 + len(octets)).to_bytes(2, "big")
    covered = ENDS + (8 + len(octets)).to_bytes(4, "big") + bytes([0, 0, 0, 17])
    covered += head + b"\0\0" + octets + bytes(len(octets) % 2)
    total = sum(int.from_bytes(covered[at : at + 2], "big") for at in range(0, len(covered), 2))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return head + ((total ^ 0xFFFF) or 0xFFFF).to_bytes(2, "big") + octets


def cut(offset: int, *, more: bool, octets: bytes, kind: int = 17) -> bytes:
    """RFC 8200 section 4.5, with an identification whose octets are none of them zero."""
    return bytes([kind, 0]) + (offset | more).to_bytes(2, "big") + b"\x12\x34\x56\x78" + octets


@pytest.mark.parametrize(
    ("datagram", "names", "meaning"),
    [
        (ip(17, udp(5683, COAP)), {"message id", "token", "Uri-Path"}, ""),
        (ip(17, udp(5684, DTLS)), {"epoch", "sequence number"}, ""),
        (ip(17, udp(61000, COAP)), {"payload"}, "application data"),
        (ip(17, udp(5683, BROKEN)), {"payload"}, "application data"),
        (ip(59, b"\1\2\3"), {"payload"}, "no next header"),
        # whole in one fragment: "an atomic fragment" (RFC 6946)
        (ip(44, cut(0, more=False, octets=udp(5683, COAP))), {"message id"}, ""),
        (ip(44, cut(0, more=True, octets=udp(5683, COAP))), {"payload"}, PART),
        (ip(44, cut(64, more=False, octets=udp(5683, COAP))), {"payload"}, PART),
    ],
)
def test_spans_are_those_of_reading(datagram: bytes, names: set[str], meaning: str) -> None:
    packed = compress(datagram, ENV)
    read = decode_lowpan(packed.octets, ENV)
    assert read.datagram is not None
    assert read.datagram.octets == datagram
    told = [span._replace(removed_by="") for span in packed.spans]
    assert told == [span._replace(removed_by="") for span in read.spans]
    assert names <= {span.name for span in told}
    if meaning:
        assert (told[-1].meaning, told[-1].nature) == (meaning, Nature.PAYLOAD)
        assert not told[-1].stand_in


@pytest.mark.parametrize("payload", [b"\xde\xad\xbe\xef", COAP, BROKEN, DTLS])
@pytest.mark.parametrize("port", [5683, 5684, 61000])
def test_a_payload_ends_before_the_check_sequence(port: int, payload: bytes) -> None:
    """IEEE 802.15.4: the last two octets of a frame are its FCS, and no part of what the headers carry."""
    mac = Mac(destination_pan=1, destination=B, source=A, pan_id_compression=True)
    octets = encode_frame(mac, compress(ip(17, udp(port, payload)), ENV).octets, fcs=True).octets
    frame = decode_frame(octets, fcs=True)
    for span in frame.spans:
        if span.nature is Nature.PAYLOAD:
            first, last = span.offset_bits // 8, (span.offset_bits + span.bits) // 8
            assert span.value == octets[first:last]
    # of the MAC header with one PAN ID and two short addresses there are 9
    places = [(place.start, place.end) for place in frame.free if place.start >= 9]
    assert places == sorted(places), "each octet is free once"
    assert all(end <= start for (_, end), (start, _) in pairwise(places))
    assert places[-1][1] == len(octets) - 2 or port != 61000
