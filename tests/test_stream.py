"""Runs of bits across the ends of octets, against the bitstruct library and by hand."""

from typing import Literal

import bitstruct  # type: ignore[import-untyped]
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget.bits import Span
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Truncated
from lowpanbudget.fields import BitReader, Bits, BitWriter
from lowpanbudget.fields.stream import BitOrder

CITE = rfc(4944, "10.3.1")
sizes = st.lists(st.integers(1, 300), min_size=1, max_size=12)


def turned(octets: bytes) -> bytes:
    """Return the octets with the bits of each the other way round."""
    return bytes(int(f"{octet:08b}"[::-1], 2) for octet in octets)


@given(sizes, st.data(), st.sampled_from(["big", "little"]))
def test_bits_of_any_width_are_those_of_bitstruct(
    widths: list[int], data: st.DataObject, first: Literal["big", "little"]
) -> None:
    """Source: bitstruct, whose ">" and "<" are the order of the bits of one number; it fills octets from their top."""
    codes = [data.draw(st.integers(0, (1 << width) - 1)) for width in widths]
    out = BitWriter(BitOrder(first))
    for code, width in zip(codes, widths, strict=True):
        out.put(code, width)
    assert out.at == sum(widths)
    mark = ">" if first == "big" else "<"
    octets = bitstruct.pack("".join(f"{mark}u{width}" for width in widths), *codes)
    assert out.finish() == (octets if first == "big" else turned(octets))
    source = BitReader(b"\xa5" + out.finish(), BitOrder(first), at=8)
    assert [source.take(width) for width in widths] == codes
    assert source.at == 8 + sum(widths)


def test_fields_of_a_header_leave_spans_and_say_what_is_missing() -> None:
    # ab then 1|2345: four bits 0001, sixteen 0010 0011 0100 0101; then four are left
    spans: list[Span] = []
    source = BitReader(bytes.fromhex("ab123456"), at=8, layer="HC1", spans=spans)
    short, long = Bits("short", 4, "a nibble"), Bits("long", 16, cite=CITE)
    assert (source.field(short), source.field(long)) == (1, 0x2345)
    assert spans == [
        Span(8, 4, "HC1", "short", 1, "a nibble", None),
        Span(12, 16, "HC1", "long", 0x2345, "", CITE),
    ]
    with pytest.raises(Truncated) as caught:
        source.field(long)
    assert caught.value.message == "the long needs 16 bits here and 4 are left"
    assert (caught.value.offset, caught.value.layer, caught.value.cite) == (3, "HC1", CITE)
    assert len(spans) == 2


def test_what_lies_behind_the_end_is_not_taken() -> None:
    source = BitReader(b"\xff\xff", end=12)
    assert source.take(12) == 0xFFF
    with pytest.raises(Truncated, match="needs 1 bits here and 0 are left"):
        source.take(1)
