"""The layout language: a new header is one file; what a layout refuses; parts against what their octets must be.

The header below is invented; octets are put together by hand from its figure.
"""

import sys
from collections.abc import Iterator
from ipaddress import IPv6Address, IPv6Network
from pathlib import Path
from typing import Any

import pytest

from lowpanbudget import layers
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Malformed, RequestError, Truncated, WireError
from lowpanbudget.fields import (
    Address,
    Bits,
    Either,
    Extended,
    Header,
    Layout,
    OctetString,
    PaddedString,
    Prefix,
    Repeat,
    Selected,
    Selection,
    ShortNumber,
    Tagged,
    TextString,
    Unsigned,
    WireValue,
    bits,
    layout_of,
    part,
    structure,
)
from lowpanbudget.fields.compiled import SIGHTINGS
from lowpanbudget.layers import catalogue
from lowpanbudget.report import known_terms, terms

CITE = rfc(768)

# --- a new header is one file ----------------------------------------------------------------------

NEW = '''"""The gauge header: how far a reading may be off.

|U|  reserved   |     count     |   count readings of 2 octets, then a note
"""

from lowpanbudget.cites import rfc
from lowpanbudget.fields import OctetString, Repeat, Unsigned, bits, part, structure


@structure("gauge header", rfc(768))
class Gauge:
    """Readings, in millimetres where ``metric``, and a note."""

    metric: bool = bits(1, {0: "U: inches", 1: "U: millimetres"}, default=True)
    reserved = bits(7)
    count = bits(8, "readings that follow")
    readings: tuple[int, ...] = part(Repeat, Unsigned("reading", 2, "as measured"), count="count")
    note: bytes = part(OctetString, "what else is to be said", default=b"")
'''


def forget() -> None:
    """Let tables and terms be listed anew."""
    catalogue.entries.cache_clear()
    known_terms.all_terms.cache_clear()
    known_terms.by_form.cache_clear()


@pytest.fixture
def gauge(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[type[Any]]:
    """Yield the class of a header that one file beside the layers brings."""
    (tmp_path / "gauge.py").write_text(NEW, encoding="utf-8")
    monkeypatch.setattr(layers, "__path__", [*layers.__path__, str(tmp_path)])
    forget()
    from importlib import import_module

    yield import_module("lowpanbudget.layers.gauge").Gauge
    forget()
    del sys.modules["lowpanbudget.layers.gauge"]
    del layers.gauge  # type: ignore[attr-defined]


OCTETS = bytes.fromhex("80 02 0102 fffe 6f6b")


def test_a_new_header_is_read_and_written(gauge: type[Any]) -> None:
    layout = layout_of(gauge)
    reader = Reader(b"before" + OCTETS, 6)
    value = layout.read(reader)
    assert value == gauge(readings=(0x0102, 0xFFFE), note=b"ok")
    assert (value.metric, value.readings, value.note) == (True, (258, 65534), b"ok")
    writer = Writer()
    layout.write(writer, value)
    assert bytes(writer.data) == OCTETS == layout.octets(value)
    moved = [span._replace(offset_bits=span.offset_bits - 48) for span in reader.spans]
    assert moved == writer.spans
    assert tiles(writer.spans, len(OCTETS) * 8)
    assert [(s.bits, s.name, s.value, s.meaning) for s in writer.spans] == [
        (1, "metric", 1, "U: millimetres"),
        (7, "reserved", 0, ""),
        (8, "count", 2, "readings that follow"),
        (16, "reading", 258, "as measured"),
        (16, "reading", 65534, "as measured"),
        (16, "note", b"ok", "what else is to be said"),
    ]
    assert {(span.layer, span.cite) for span in writer.spans} == {("gauge header", CITE)}


def test_a_new_header_knows_its_size(gauge: type[Any]) -> None:
    layout = layout_of(gauge)
    assert (layout.least, layout.more) == (2, True)


def test_a_new_header_locates_its_faults(gauge: type[Any]) -> None:
    layout = layout_of(gauge)
    for cut in range(6):
        with pytest.raises(Truncated) as caught:
            layout.read(Reader(OCTETS[:cut]))
        assert caught.value.offset == (0 if cut < 2 else 2 if cut < 4 else 4)
        assert (caught.value.layer, caught.value.cite) == ("gauge header", CITE)
    with pytest.raises(RequestError, match="0 to 65535"):
        layout.octets(gauge(readings=(65536,)))


@pytest.mark.usefixtures("gauge")
def test_a_new_header_is_explained() -> None:
    (page,) = terms.explain("gauge header")
    assert [tuple(row.values()) for row in page.data["rows"]] == [
        ("metric", "1 bit", "0: U: inches; 1: U: millimetres"),
        ("reserved", "7 bits", ""),
        ("count", "8 bits", "readings that follow"),
        ("readings", "2 octets each", "as measured"),
        ("note", "all that is left", "what else is to be said"),
    ]
    assert "gauge header" in {name for about in terms.terms()["tables"] for name in about["names"]}


# --- what refuses to import ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "parts",
    [
        (OctetString("text", count="lenght"),),
        (Bits("length", 8), OctetString("text", count="lenght")),
        (OctetString("text", count="length"), Bits("length", 8)),
        (Bits("flag", 8), Unsigned("number", 2, when="flags")),
        (Repeat("items", Unsigned("item", 1), count="count"),),
        (Prefix("prefix", length="prefix length"),),
        (Address("address", length="length"),),
    ],
)
def test_a_reference_to_no_field_before_is_refused(parts: tuple[Any, ...]) -> None:
    with pytest.raises(TypeError, match="not before it"):
        Layout("t", CITE, *parts)


def test_a_value_that_no_field_fills_is_refused() -> None:
    @structure("t", CITE)
    class Source:
        number: int = bits(8)

    with pytest.raises(TypeError, match="no field fills number"):
        Layout("t", CITE, Bits("nummer", 8), value=Source)


def test_bits_that_are_no_whole_octets_are_refused() -> None:
    with pytest.raises(TypeError, match="no whole octets"):
        Layout("t", CITE, Bits("a", 4), Unsigned("b", 1), Bits("c", 4))


def test_a_selection_without_a_row_is_refused() -> None:
    nothing = Selected(Layout("t", CITE))
    by = (Bits("a", 1), Bits("b", 1))
    rows: dict[tuple[int, ...], Selected] = {(a, b): nothing for a in (0, 1) for b in (0, 1)}
    assert Selection("t", CITE, by, rows)[1, 0] is nothing
    with pytest.raises(TypeError, match="no row"):
        Selection("t", CITE, by, {key: row for key, row in rows.items() if key != (1, 0)})
    with pytest.raises(TypeError, match="one too many"):
        Selection("t", CITE, by, rows | {(2, 0): nothing})


# --- parts -----------------------------------------------------------------------------------------


def both(layout: Layout[Any], octets: str) -> Any:
    """Return what the octets are read as, after writing it gave the same octets and spans."""
    reader = Reader(bytes.fromhex(octets))
    value = layout.read(reader)
    writer = Writer()
    layout.write(writer, value)
    assert bytes(writer.data) == bytes.fromhex(octets)
    assert [span[:2] for span in writer.spans] == [span[:2] for span in reader.spans]
    return value


def test_byte_order_belongs_to_the_layout() -> None:
    parts = (Bits("low", 4), Bits("high", 12), Unsigned("number", 3))
    assert both(Layout("t", CITE, *parts), "12 34 01 02 03") == {
        "low": 1, "high": 0x234, "number": 0x010203,
    }  # fmt: skip
    assert both(Layout("t", CITE, *parts, order="little"), "12 34 01 02 03") == {
        "low": 2, "high": 0x341, "number": 0x030201,
    }  # fmt: skip


def test_octets_counted_by_a_field() -> None:
    layout: Layout[Any] = Layout("t", CITE, Bits("length", 8), OctetString("text", count="length"))
    assert both(layout, "02 61 62") == {"length": 2, "text": b"ab"}
    assert layout.octets({"text": b"abc"}) == b"\3abc"
    with pytest.raises(Truncated):
        layout.read(Reader(b"\2a"))


def test_a_part_that_a_flag_announces() -> None:
    layout: Layout[Any] = Layout("t", CITE, Bits("flag", 8), Unsigned("number", 2, when="flag"))
    assert both(layout, "00") == {"flag": 0}
    assert both(layout, "01 00 05") == {"flag": 1, "number": 5}
    assert layout.octets({"number": 5}) == b"\1\0\5"
    assert layout.octets({}) == b"\0"


def test_a_prefix_in_the_fewest_octets() -> None:
    layout: Layout[Any] = Layout("t", CITE, Bits("length", 8), Prefix("prefix", length="length"))
    assert both(layout, "14 2001d0")["prefix"] == IPv6Network("2001:d000::/20")
    with pytest.raises(Malformed, match="over 128"):
        layout.read(Reader(b"\x81" + bytes(16)))


def test_padded_octets_are_the_smallest_size_that_leaves_zeros() -> None:
    layout: Layout[Any] = Layout("t", CITE, PaddedString("address", "", sizes=(2, 6, 8), unit=8))
    for octets, size in (("01 02 00 00 00 00", 2), ("01 02 03 00 00 00", 6), ("00" * 14, 8)):
        assert len(layout.read(Reader(bytes.fromhex(octets)))["address"]) == size


def test_layouts_by_length() -> None:
    layouts: list[Layout[Any]] = [Layout("t", CITE, Unsigned("n", octets)) for octets in (1, 2)]
    content = Either("t", CITE, *layouts)
    assert content.read(Reader(b"\1")) == {"n": 1}
    assert content.read(Reader(b"\1\0")) == {"n": 256}
    with pytest.raises(Malformed, match="3 octets of content, not 1 or 2"):
        content.read(Reader(bytes(3)))
    assert (content.write({"n": 255}), content.write({"n": 256})) == (b"\xff", b"\1\0")
    with pytest.raises(RequestError, match="Give n; or n"):
        content.write({"m": 1})


def test_a_family_is_stepped_over_by_length() -> None:
    family = Tagged("option", CITE, {1: Layout("one", CITE, Unsigned("n", 1), value=_One)})
    known, unknown = family.read(Reader(bytes.fromhex("01 01 07 09 02 aa bb")))
    assert known == _One(n=7)
    assert (unknown.type, unknown.content) == (9, b"\xaa\xbb")
    writer = Writer()
    family.write(writer, (known, unknown))
    assert bytes(writer.data).hex(" ") == "01 01 07 09 02 aa bb"
    with pytest.raises(WireError):
        family.read(Reader(bytes.fromhex("09 05 aa")))


@structure("one", CITE)
class _One:
    n: int = part(Unsigned, 1)


def test_a_class_has_the_fields_of_the_one_before() -> None:
    @structure("two", CITE)
    class Two(_One):
        address: IPv6Address = part(Address)

    value = layout_of(Two).read(Reader(b"\5" + bytes(15) + b"\1"))
    assert value == Two(n=5, address=IPv6Address("::1"))


def test_values_with_limits() -> None:
    """RFC 7252 section 3.2: a number "in network byte order using the number of bytes" it needs, 0 in none."""
    number, text = ShortNumber("n", 0, 2), TextString("t", 1, 3)
    assert [number.octets_of(value, CITE) for value in (0, 1, 256)] == [b"", b"\1", b"\1\0"]
    assert [number.value_of(octets) for octets in (b"", b"\1", b"\1\0")] == [0, 1, 256]
    assert number.has_leading_zeros(b"\0\1")
    assert not number.fits(bytes(3))
    assert text.value_of(b"\xff") == b"\xff"
    with pytest.raises(RequestError, match="t takes a text, not 5"):
        text.octets_of(5, CITE)


def test_a_number_that_goes_on_behind_its_field() -> None:
    """RFC 7252 section 3.1: 13 "An 8-bit unsigned integer follows ... minus 13", 14 "A 16-bit ... minus 269"."""
    extended = Extended({13: (1, 13), 14: (2, 269)})
    for value, field, octets in (
        (12, 12, ""), (13, 13, "00"), (268, 13, "ff"), (269, 14, "0000"), (65804, 14, "ffff"),
    ):  # fmt: skip
        assert extended.split(value) == (field, bytes.fromhex(octets))
        assert extended.read(Reader(bytes.fromhex(octets)), field, "n", CITE) == value


def test_a_word_without_spans() -> None:
    word = Header("t", CITE, (Bits("a", 4, fixed=0b1010), Bits("b", 12)))
    assert word.values_at(b"\0\xa1\x23", 1) == {"a": 0b1010, "b": 0x123}
    assert word.values_at(b"\xa1") == {"a": 0b1010, "b": 0x100}
    assert (word.starts(b"\xa1"), word.starts(b"\x51")) == (True, False)
    assert word.pack({"b": 0x123}) == b"\xa1\x23"


# --- names, units and order of a class that are not those of the wire -------------------------------


@structure("gauge", CITE, kw_only=False)
class Reach(WireValue):
    """|0 1 0|     offset, in units of 8     |  station: 16 octets  (invented)."""

    kind = bits(3, fixed=0b010)
    offset: int = bits(13, unit=8, name="reach offset")
    count: int = bits(16)
    station: IPv6Address = part(Address, name="station address")


HERE = IPv6Address("2001:db8::7")
REACH = bytes.fromhex("4003 0102") + HERE.packed


def test_a_field_counts_in_its_unit_and_has_the_name_of_the_standard() -> None:
    """0x4003: the three bits, then 3; times 8 is 24."""
    reader = Reader(REACH)
    value = layout_of(Reach).read(reader)
    assert value == Reach(24, 0x0102, HERE) == Reach(offset=24, count=0x0102, station=HERE)
    assert [(span.bits, span.name, span.value) for span in reader.spans] == [
        (3, "kind", 2),
        (13, "reach offset", 3),
        (16, "count", 0x0102),
        (128, "station address", HERE),
    ]
    assert bytes(value) == REACH
    assert layout_of(Reach).widths == (3, 13, 16, 128)
    with pytest.raises(RequestError, match="reach offset 23 is no multiple of 8"):
        bytes(Reach(23, 0, HERE))


@structure("gauge", CITE, kw_only=False)
class Plain(WireValue):
    """Words and an address, and nothing that has to be asked for."""

    kind = bits(3, fixed=0b010)
    level: int = bits(13)
    count: int = bits(16, free=True)
    station: IPv6Address = part(Address)


@structure("counted", CITE)
class Counted(WireValue):
    """A flag, and a number where it is set."""

    flag: int = bits(8)
    number: int | None = part(Unsigned, 2, when="flag", default=None)


def test_a_number_that_may_be_missing_is_read_alike_the_first_time_and_later() -> None:
    for _ in range(2 * SIGHTINGS):
        assert layout_of(Counted).read(Reader(b"\1\2\3")) == Counted(flag=1, number=0x0203)
        assert layout_of(Counted).read(Reader(b"\0\2\3")) == Counted(flag=0)


@structure("station", CITE, kw_only=False)
class Alone(WireValue):
    """An address and nothing else."""

    station: IPv6Address = part(Address)


def test_a_layout_of_one_attribute() -> None:
    assert layout_of(Alone).read(Reader(HERE.packed)) == Alone(HERE)
    assert bytes(Alone(HERE)) == HERE.packed


def test_octets_at_once_are_those_that_spans_are_left_for() -> None:
    layout = layout_of(Plain)
    value = Plain(3, 0x0102, HERE)
    writer = Writer()
    layout.write(writer, value)
    assert bytes(value) == layout.octets(value) == bytes(writer.data) == REACH
    reader = Reader(b"before" + REACH, 6)
    assert layout.read(reader) == value
    assert [(place.start, place.end) for place in reader.free] == [(8, 10)]
    assert {span.layer for span in reader.spans} == {"gauge"}
    with pytest.raises(RequestError, match="level 8192 does not fit 13 bits"):
        bytes(Plain(1 << 13, 0, HERE))
    for cut in range(len(REACH)):
        with pytest.raises(Truncated) as caught:
            layout.read(Reader(REACH[:cut]))
        assert caught.value.offset == (0 if cut < 4 else 4)
