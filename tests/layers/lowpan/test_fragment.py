"""FRAG1 and FRAGN beside their vectors: scapy's and construct's reading of figures 4 and 5."""

from typing import Any

import pytest
from construct import BitsInteger, BitStruct

from lowpanbudget import Malformed, RequestError
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.layers.lowpan import fragment
from lowpanbudget.layers.lowpan.fragment import Fragment

FIGURE_4 = BitStruct("type" / BitsInteger(5), "size" / BitsInteger(11), "tag" / BitsInteger(16))
VALUES = [
    Fragment(40, 0, 0, first=True),
    Fragment(1280, 0xFFFF, 0, first=True),
    Fragment(2047, 0x1234, 0, first=True),
    Fragment(48, 0, 40),
    Fragment(1280, 0xABCD, 1272),
    Fragment(2047, 0xFFFF, 2040),
]


def encoded(value: Fragment) -> bytes:
    writer = Writer()
    fragment.encode(writer, value)
    assert tiles(writer.spans, len(writer.data) * 8)
    reader = Reader(bytes(writer.data))
    assert fragment.decode(reader) == value
    assert reader.spans == writer.spans
    return bytes(writer.data)


@pytest.mark.parametrize("value", VALUES)
def test_scapy_and_construct_read_it_alike(value: Fragment) -> None:
    sixlowpan: Any = pytest.importorskip("scapy.layers.sixlowpan")
    octets = encoded(value)
    assert len(octets) == (4 if value.first else 5)
    figure = FIGURE_4.parse(octets[:4])
    assert figure.type == (0b11000 if value.first else 0b11100)
    assert (figure.size, figure.tag) == (value.size, value.tag)
    theirs = sixlowpan.SixLoWPAN(octets)
    name = "LoWPANFragmentationFirst" if value.first else "LoWPANFragmentationSubsequent"
    assert type(theirs).__name__ == name
    assert (theirs.datagramSize, theirs.datagramTag) == (value.size, value.tag)
    if not value.first:
        assert theirs.datagramOffset * 8 == value.offset


@pytest.mark.parametrize(
    "value",
    [
        Fragment(2048, 0, 0, first=True),
        Fragment(100, 65536, 0, first=True),
        Fragment(100, -1, 8),
        Fragment(100, 0, 2048),
        Fragment(100, 0, 12),
        Fragment(100, 0, -8),
    ],
)
def test_what_does_not_fit_is_a_wrong_request(value: Fragment) -> None:
    with pytest.raises(RequestError):
        fragment.encode(Writer(), value)


@pytest.mark.parametrize("size", range(40))
def test_no_datagram_is_smaller_than_its_header(size: int) -> None:
    octets = (0b11000 << 11 | size).to_bytes(2, "big") + b"\0\0"
    with pytest.raises(Malformed) as caught:
        fragment.decode(Reader(b"\0\0" + octets, 2))
    assert caught.value.offset == 2
    assert caught.value.layer == "FRAG1"
