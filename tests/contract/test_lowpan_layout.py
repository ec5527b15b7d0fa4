"""Dispatch octets and HC1 encodings, all of them, said once more in ranges and sums."""

from itertools import product
from typing import Any

import pytest
from contract.vectors import DESTINATION, SOURCE, behind, framed, header_of, tiles

from lowpanbudget import Env, NotSupported, Reserved, decompress

START = len(header_of(SOURCE, DESTINATION))
# RFC 4944 figure 2 as RFC 6282, 8025, 8066, 8138 (DFF: RFC 6971) and 8931 left it: first and last octet, layer shown
PAGE_0 = (
    (0x00, 0x3F, "payload"), (0x40, 0x40, "ESC"), (0x41, 0x41, "6LoWPAN dispatch"), (0x42, 0x42, "HC1"),
    (0x50, 0x50, "BC0"), (0x60, 0x7F, "IPHC"), (0x80, 0xBF, "mesh"), (0xC0, 0xC7, "FRAG1"), (0xE0, 0xE7, "FRAGN"),
    (0xE8, 0xE9, "RFRAG"), (0xEA, 0xEB, "RFRAG-ACK"), (0xF0, 0xFF, "page switch"),
)  # fmt: skip
# RFC 8138 section 4, RFC 8025 section 3; a critical one of type 0 is a source routing header
PAGE_1 = (
    (0x60, 0x7F, "IPHC"), (0x80, 0x9F, "SRH-6LoRH"), (0xA0, 0xBF, "elective 6LoRH"), (0xF0, 0xFF, "page switch"),
)  # fmt: skip
OTHERS = ((0xF0, 0xFF, "page switch"),)
DFF = 0x43  # RFC 6971: assigned, and not read here


def first_span(octets: bytes, place: int) -> tuple[Any, Any]:
    """Return the span at this octet of the payload, and the fault if it is about that octet."""
    frame = framed(octets + bytes(60), Env(SOURCE, DESTINATION))
    span = behind(frame.spans, START + place)[0]
    fault = frame.fault
    return span, fault if fault is not None and fault.offset == START + place else None


@pytest.mark.parametrize("page", range(16))
def test_every_dispatch_octet_of_every_page(page: int) -> None:
    table = {0: PAGE_0, 1: PAGE_1}.get(page, OTHERS)
    before = bytes([0xF0 | page]) if page else b""
    for octet in range(256):
        span, fault = first_span(before + bytes([octet]), len(before))
        layers = [layer for first, last, layer in table if first <= octet <= last]
        if layers:
            assert (span.layer, span.name == "not decoded") == (layers[0], False), hex(octet)
            assert type(fault) is not NotSupported
        elif page == 15 or (page, octet) == (0, DFF):
            assert type(fault) is NotSupported, hex(octet)
        else:
            assert type(fault) is Reserved, hex(octet)
            assert span.name == "not decoded"


@pytest.mark.parametrize(("source", "destination"), list(product(range(4), range(4))))
def test_octets_of_hc1_are_what_section_10_says(source: int, destination: int) -> None:
    """RFC 4944 section 10.1: prefixes and identifiers of 64 bits, 28 bits of traffic class and flow label."""
    for traffic, number in product(range(2), range(4)):
        encoding = source << 6 | destination << 4 | traffic << 3 | number << 1
        bits = 8 + 64 * ((source in {0, 1}) + (source in {0, 2}))
        bits += 64 * ((destination in {0, 1}) + (destination in {0, 2}))
        bits += (0 if traffic else 28) + (8 if number == 0 else 0)
        wire = bytes([0x42, encoding]) + bytes(60)
        read = decompress(wire, Env(bytes(8), bytes(8)))
        assert tiles(read.spans, len(wire) * 8)
        header = sum(span.bits for span in read.spans if span.layer == "HC1")
        assert header == 16 + (bits + 7) // 8 * 8
