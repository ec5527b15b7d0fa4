"""What a span is stands in it as data: the octets counted by it are those that were sent."""

from collections import Counter

import pytest
from capture.captures import CONTEXTS, KEY, eui, frames_of, ip_of, udp_datagram

from lowpanbudget import decode_frame
from lowpanbudget.bits import Nature
from lowpanbudget.stack.frame import Frame

A, B = eui(1), eui(2)
DATA = b"twelve bytes"
COAP = bytes([0x50, 0x02, 0x12, 0x34, 0xFF])  # RFC 7252 section 3: NON, POST, no token; the marker


def datagram(data: bytes, port: int = 0xF0B1) -> bytes:
    return udp_datagram(ip_of(A), ip_of(B), data, (port, port))


def octets_by_nature(frame: Frame) -> dict[Nature, int]:
    bits: Counter[Nature] = Counter()
    for span in frame.spans:
        bits[span.nature] += span.bits
    return {nature: count // 8 for nature, count in bits.items()}


@pytest.mark.parametrize(("head", "port"), [(b"", 0xF0B1), (COAP, 5683)])
def test_what_headers_carry_is_payload(head: bytes, port: int) -> None:
    (octets,) = frames_of(datagram(head + DATA, port), A, B)
    frame = decode_frame(octets, contexts=CONTEXTS)
    headers = len(octets) - len(DATA)
    assert octets_by_nature(frame) == {Nature.HEADER: headers, Nature.PAYLOAD: len(DATA)}


def test_a_fragment_carries_octets_of_the_datagram() -> None:
    """RFC 4944 section 5.3: the headers of the fragments that follow have 5 octets."""
    _, *following = frames_of(datagram(bytes(150)), A, B, room=80)
    for octets in following:
        frame = decode_frame(octets, contexts=CONTEXTS)
        assert frame.mac is not None
        carried = len(octets) - frame.mac.header_length - 5 - 2
        assert octets_by_nature(frame)[Nature.PAYLOAD] == carried


def test_what_no_key_opens_is_sealed() -> None:
    """IEEE 802.15.4-2015 clause 9.4.2, from memory: level 5 encrypts, its integrity code has 4 octets."""
    (octets,) = frames_of(datagram(DATA), A, B, key=KEY, level=5)
    opened = decode_frame(octets, contexts=CONTEXTS, keys=KEY)
    assert octets_by_nature(opened)[Nature.PAYLOAD] == len(DATA)
    shut = decode_frame(octets, contexts=CONTEXTS)
    assert shut.mac is not None
    inside = len(octets) - shut.mac.header_length - 4 - 2
    assert octets_by_nature(shut) == {
        Nature.HEADER: len(octets) - inside,
        Nature.SEALED: inside,
    }


def test_what_reading_does_not_reach() -> None:
    (octets,) = frames_of(datagram(DATA), A, B)
    cut = decode_frame(octets[:10], fcs=False, contexts=CONTEXTS)
    assert cut.fault is not None
    assert cut.spans[-1].nature is Nature.UNREAD
    assert all(span.nature is Nature.HEADER for span in cut.spans[:-1])
