"""The table engine on small headers of its own, in both bit orders."""

from typing import Any

import pytest

from lowpanbudget import RequestError, Reserved, Truncated, WireError
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.cites import rfc
from lowpanbudget.fields import Bits, Choice, Header, Layout, OctetString, Patterns, Row
from lowpanbudget.fields.limited import Limited, NoValue
from lowpanbudget.fields.source import FunctionSource

CITE = rfc(768)


def _fit(value: int, _env: object) -> bytes | None:
    return bytes([value]) if value < 256 else None


def _fit_two(value: int, _env: object) -> bytes | None:
    return value.to_bytes(2, "big")


def _restore(octets: bytes, _env: object) -> int:
    return int.from_bytes(octets, "big")


def _refuse(_octets: bytes, _env: object) -> Any:
    raise WireError("not this one")


SIZE = Choice(
    "size",
    "size form",
    2,
    (
        Row(2, 2, "always possible", CITE, _fit_two, _restore, (Bits("high", 4), Bits("low", 12))),
        Row(0, 0, "it is zero", CITE, lambda value, _: None if value else b"", lambda _o, _e: 0),
        Row(1, 1, "it is under 256", CITE, _fit, _restore),
        Row(3, 0, "reserved", CITE),
    ),
)
HEADER = Header("sample", CITE, (Bits("mark", 3, fixed=0b101), SIZE, Bits("rest", 3, {1: "one"})))
LITTLE = Header("little", CITE, (Bits("low", 3), Bits("middle", 9), Bits("high", 4)), "little")


def test_big_and_little_order() -> None:
    assert HEADER.split(0b101_10_001) == {"mark": 0b101, "size": 2, "rest": 1}
    assert HEADER.join({"size": 2, "rest": 1}) == 0b101_10_001  # the fixed field fills itself in
    assert LITTLE.octets == 2
    word = 0xA << 12 | 0x1F0 << 3 | 0b011
    assert LITTLE.split(word) == {"low": 0b011, "middle": 0x1F0, "high": 0xA}
    writer = Writer()
    LITTLE.write(writer, LITTLE.split(word))
    assert bytes(writer.data) == word.to_bytes(2, "little")
    assert LITTLE.read(Reader(bytes(writer.data)))[0] == LITTLE.split(word)


@pytest.mark.parametrize("value", [0, 1, 255, 256, 65535])
def test_the_shortest_row_is_taken_and_read_back(value: int) -> None:
    chosen = SIZE.best(value)
    assert chosen.row.inline == (0 if value == 0 else 1 if value < 256 else 2)
    writer = Writer()
    HEADER.write(writer, {"size": chosen.row.code, "rest": 1})
    SIZE.write(writer, chosen, value)
    assert tiles(writer.spans, len(writer.data) * 8)
    reader = Reader(bytes(writer.data))
    values, rows = HEADER.read(reader)
    assert values == {"mark": 0b101, "size": chosen.row.code, "rest": 1}
    assert SIZE.read(reader, rows["size"]) == value
    assert reader.spans == writer.spans
    assert HEADER.inline(writer.data[0]) == chosen.row.inline


def test_parts_lay_out_the_octets() -> None:
    writer = Writer("sample")
    SIZE.write(writer, SIZE.best(0xABCD), 0xABCD)
    assert [(s.name, s.bits, s.value) for s in writer.spans] == [
        ("high", 4, 0xA),
        ("low", 12, 0xBCD),
    ]


def test_meanings() -> None:
    reader = Reader(bytes([0b101_00_001, 0b101_00_010]))
    HEADER.read(reader)
    HEADER.read(reader)
    assert [s.meaning for s in reader.spans if s.name == "rest"] == ["one", "reserved"]
    assert [s.meaning for s in reader.spans if s.name == "size form"] == ["it is zero"] * 2
    assert Bits("odd", 4, lambda value: f"{value} of them").says(3) == "3 of them"


def test_a_reserved_code_is_located_at_its_header() -> None:
    reader = Reader(b"\xff" + bytes([0b101_11_000, 9, 9]), 1)
    with pytest.raises(Reserved, match="size form 11 is reserved") as caught:
        HEADER.read(reader)
    assert (caught.value.offset, caught.value.layer, caught.value.cite) == (1, "sample", CITE)
    assert tiles([s._replace(offset_bits=s.offset_bits - 8) for s in reader.spans], 8)
    with pytest.raises(Reserved):
        SIZE.read(reader, SIZE.rows[3])


def test_a_wrong_fixed_field_is_located_and_nothing_is_consumed() -> None:
    reader = Reader(b"\xff\x00", 1)
    with pytest.raises(Reserved, match="mark is 0x0, not 0x5") as caught:
        HEADER.read(reader)
    assert caught.value.offset == 1
    assert reader.pos == 1
    assert reader.spans == []


def test_cut_short() -> None:
    with pytest.raises(Truncated):
        LITTLE.read(Reader(b"\x00"))
    reader = Reader(bytes([0b101_10_000, 1]))
    _, rows = HEADER.read(reader)
    with pytest.raises(Truncated, match="size form needs 2 octets, 1 octet left") as caught:
        SIZE.read(reader, rows["size"])
    assert caught.value.offset == 1


def test_an_error_of_a_row_is_located() -> None:
    choice = Choice("c", "it", 1, (Row(0, 0, "", CITE), Row(1, 1, "", CITE, None, _refuse)))
    reader = Reader(b"\x00\x07", 1, layer="here")
    with pytest.raises(WireError) as caught:
        choice.read(reader, choice.rows[1])
    assert (caught.value.offset, caught.value.layer, caught.value.cite) == (1, "here", CITE)
    assert reader.pos == 1


def test_what_no_row_carries_is_a_wrong_request() -> None:
    only_zero = Choice("z", "zero", 1, (SIZE.rows[0], Row(1, 0, "", CITE)))
    with pytest.raises(RequestError, match="no zero can carry 5"):
        only_zero.best(5)


@pytest.mark.parametrize("values", [{"size": 4}, {"size": -1}, {"rest": 8}])
def test_a_value_too_large_for_its_field(values: dict[str, int]) -> None:
    with pytest.raises(RequestError, match="does not fit"):
        HEADER.join(values)


def test_tables_with_faults_refuse_to_exist() -> None:
    with pytest.raises(TypeError, match="do not cover"):
        Choice("c", "c", 2, SIZE.rows[:3])
    with pytest.raises(TypeError, match="do not fill"):
        Choice("c", "c", 1, (SIZE.rows[0], Row(1, 2, "", CITE, None, _restore, (Bits("x", 8),))))
    with pytest.raises(TypeError, match="no whole octets"):
        Header("h", CITE, (Bits("x", 7),))


def test_free_fields_leave_their_places_in_both_orders() -> None:
    fields = (Bits("kind", 8), Bits("tag", 16, free=True), Bits("more", 8))
    for order, octets in (("big", "ff 01 1234 02"), ("little", "ff 01 3412 02")):
        header = Header("tagged", CITE, fields, order)  # type: ignore[arg-type]
        reader = Reader(bytes.fromhex(octets), 1)
        assert header.read(reader)[0]["tag"] == 0x1234
        (place,) = reader.free
        assert (place.start, place.end) == (2, 4)
        assert place.number(reader.data) == 0x1234
    with pytest.raises(TypeError, match="no whole octets"):
        Header("shifted", CITE, (Bits("a", 4), Bits("b", 8, free=True), Bits("c", 4)))


@pytest.mark.parametrize("start", [None, 3])
def test_free_fields_of_a_word_have_the_places_that_the_engine_gives_them(
    start: int | None,
) -> None:
    """Octets 2 and 3 of a word at octet 3, whether or not the function knows where it stands."""
    word = Header("tagged", CITE, (Bits("kind", 16), Bits("tag", 16, free=True)))
    source = FunctionSource("read", "tagged", start)
    (kind, tag) = source.fields(word)
    read = source.function(f"({kind}, {tag})")
    made, engine = Reader(bytes(range(8)), 3), Reader(bytes(range(8)), 3)
    assert read(made, None) == tuple(word.read(engine)[0].values()) == (0x0304, 0x0506)
    assert made.free == engine.free
    assert [(place.start, place.end) for place in made.free] == [(5, 7)]
    assert made.spans == engine.spans


def test_plans_are_not_kept_without_bound() -> None:
    short, long = (Header("h", CITE, (Bits("x", width),)) for width in (16, 64))
    for word in range(10_000):
        short.read(Reader(word.to_bytes(2, "big")))
        long.read(Reader(word.to_bytes(8, "big")))
    assert 0 < len(short._plans) <= 4096
    assert len(long._plans) <= 4096


def test_patterns() -> None:
    table = Patterns(
        "t", CITE, (("0000000x", "low", "lowest", CITE), ("11111111", "high", "highest", CITE))
    )
    assert [table[octet].key for octet in (0, 1, 2, 254, 255)] == [
        "low",
        "low",
        "reserved",
        "reserved",
        "high",
    ]


def test_a_row_without_parts_is_one_run_of_its_octets() -> None:
    """A row with ``n`` octets in line takes 8n bits, where it is put; one with parts takes theirs: 4 and 12."""
    (two, none, one, _) = (SIZE.rows[code] for code in (2, 0, 1, 3))
    assert SIZE.places(one, 3) == {SIZE.carries: (24, 8)}
    assert SIZE.places(none, 3) == {}
    assert SIZE.places(two, 3) == {"high": (24, 4), "low": (28, 12)}


def test_what_stands_behind_a_layout_is_of_the_layer_around() -> None:
    word = Header("inner word", CITE, (Bits("mark", 8),))
    layout: Layout[Any] = Layout("inner", CITE, OctetString("two", count=2), word)
    reader = Reader(bytes(4))
    reader.layer = "outer"
    assert layout.read(reader) == {"mark": 0, "two": bytes(2)}
    assert reader.layer == "outer"


def test_a_length_out_of_limits_is_told_with_them() -> None:
    """RFC 7252 table 4: an ETag has 1 to 8 octets, If-None-Match has none."""
    tag = Limited("ETag", 1, 8)
    assert [tag.meaning_of(bytes(octets)) for octets in (0, 1, 8, 9)] == [
        "0 octets where 1 to 8 are allowed",
        "octets",
        "octets",
        "9 octets where 1 to 8 are allowed",
    ]
    assert NoValue("If-None-Match").meaning_of(b"") == "no value"
    assert NoValue("If-None-Match").meaning_of(b"ab") == "2 octets where 0 are allowed"
