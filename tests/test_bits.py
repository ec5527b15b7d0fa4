"""Reader, Writer and spans: every read is checked, every octet leaves a span."""

import pytest

from lowpanbudget import Span, Truncated
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.cites import rfc


def span(offset: int, bits: int) -> Span:
    return Span(offset, bits, "layer", "name", None, "", None)


@pytest.mark.parametrize(
    ("spans", "bits", "expected"),
    [
        ([], 0, True),
        ([], 8, False),
        ([(0, 8)], 8, True),
        ([(0, 8)], 16, False),
        ([(0, 3), (3, 5), (8, 8)], 16, True),
        ([(0, 8), (9, 7)], 16, False),  # a gap
        ([(0, 8), (7, 9)], 16, False),  # an overlap
        ([(8, 8), (0, 8)], 16, False),  # out of order
        ([(0, 0), (0, 8)], 8, False),  # a span of nothing
        ([(1, 8)], 9, False),
    ],
)
def test_tiles(spans: list[tuple[int, int]], bits: int, *, expected: bool) -> None:
    assert tiles([span(*place) for place in spans], bits) is expected
    assert tiles(tuple(span(*place) for place in spans), bits) is expected


def test_reading() -> None:
    reader = Reader(b"\x01\x02\x03\x04", layer="somewhere")
    assert reader.peek("one") == 1
    assert reader.octets(1, "one") == b"\x01"
    assert reader.octets(2, "two", "meaning", rfc(768), "never", value=0x203) == b"\x02\x03"
    assert reader.left == 1
    assert reader.rest("rest") == b"\x04"
    assert reader.rest("nothing") == b""
    assert tiles(reader.spans, 32)
    assert reader.spans[1] == Span(8, 16, "somewhere", "two", 0x203, "meaning", rfc(768), "never")


def test_reading_beyond_the_end_is_located() -> None:
    reader = Reader(b"\x00\x01\x02\x03", 1, 3, "here")
    for read in (
        lambda: reader.octets(3, "the thing", cite=rfc(768)),
        lambda: reader.raw(3, "the thing", rfc(768)),
        lambda: reader.need(3, "the thing", rfc(768)),
    ):
        with pytest.raises(Truncated) as caught:
            read()
        error = caught.value
        assert (error.offset, error.layer, error.cite) == (1, "here", rfc(768))
        assert "the thing needs 3 octets, 2 octets left" in str(error)
        assert reader.pos == 1
        assert reader.spans == []
    reader.octets(2, "both")
    with pytest.raises(Truncated, match="1 octet, 0 octets left"):
        reader.peek("more")


def test_writing() -> None:
    writer = Writer("here")
    writer.octets(b"", "nothing")
    writer.octets(b"\x01\x02", "two", value=258)
    other = Writer("there")
    other.octets(b"\x03", "three")
    writer.append(other)
    assert bytes(writer.data) == b"\x01\x02\x03"
    assert writer.pos == 3
    assert [(s.offset_bits, s.layer, s.name, s.value) for s in writer.spans] == [
        (0, "here", "two", 258), (16, "there", "three", b"\x03"),
    ]  # fmt: skip
    assert tiles(writer.spans, 24)
    assert other.spans[0].offset_bits == 0


@pytest.mark.parametrize(("start", "stop"), [(0, 4), (0, 2), (1, 3), (2, 4), (1, 1), (3, 9)])
def test_a_slice_is_tiled_as_well(start: int, stop: int) -> None:
    writer = Writer("here")
    writer.octets(b"\x01\x02\x03", "three")
    writer.octets(b"\x04", "one")
    part = writer.slice(start, stop)
    assert bytes(part.data) == b"\x01\x02\x03\x04"[start:stop]
    assert tiles(part.spans, len(part.data) * 8)
