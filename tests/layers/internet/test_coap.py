"""CoAP messages: the figures of RFC 7252, 7641 and 7959, the corners of the option format, two other encoders."""

import sys
from functools import partial
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vector_files import document
from work import calls

from lowpanbudget import errors
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.errors import RequestError, WireError
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.block import Block, block_text
from lowpanbudget.layers.internet.coap.codes import (
    CODES,
    CoapType,
    coap_code,
    code_text,
    is_request,
    is_response,
)
from lowpanbudget.layers.internet.coap.flaws import coap_flaws
from lowpanbudget.layers.internet.coap.message import CoapMessage, coap_path
from lowpanbudget.layers.internet.coap.options import CoapOption
from lowpanbudget.layers.internet.coap.registry import (
    CONTENT_FORMATS,
    DEFINITIONS,
    RESERVED_NUMBERS,
    definition,
)

VECTORS = Path(__file__).parents[3] / "vectors"


def load(name: str, key: str = "case") -> list[Any]:
    cases = document(VECTORS / name)[key]
    return [pytest.param(case, id=case.get("id", case.get("row"))) for case in cases]


FIGURES = load("rfc7252/appendix-a.toml")
CORNERS = load("rfc7252/section-3.toml")
OBSERVED = load("rfc7641/appendix-a.toml")
BLOCKS = load("rfc7959/section-2.toml")
OPTIONS = load("rfc7252/options.toml", "option")


def decode(octets: bytes) -> CoapMessage:
    """Return the message; spans tile it, and encoding it again gives the same octets and the same spans."""
    reader = Reader(octets)
    message = coap.decode(reader)
    assert reader.left == 0
    assert tiles(reader.spans, len(octets) * 8)
    writer = Writer()
    coap.encode(writer, message)
    assert bytes(writer.data) == octets
    assert writer.spans == reader.spans
    return message


def attempt(octets: bytes) -> CoapMessage | WireError:
    """Return what decoding ends in; any other exception fails the test."""
    try:
        return coap.decode(Reader(octets))
    except WireError as error:
        return error


# --- figures ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", FIGURES)
def test_figure_of_rfc_7252(case: dict[str, Any]) -> None:
    wire = bytes.fromhex(case["wire"])
    message = decode(wire)
    assert CoapType(message.type).name == case["type"]
    assert message.code == coap_code(case["code"])
    assert message.mid == case["mid"]
    assert message.token == bytes.fromhex(case["token"])
    assert message.options == coap_path(case["path"])
    assert message.payload == case["payload"].encode()
    assert len(wire) == case.get("octets", len(wire))
    assert coap_flaws(message) == ()


@pytest.mark.parametrize("case", OBSERVED)
def test_figure_of_rfc_7641(case: dict[str, Any]) -> None:
    message = decode(bytes.fromhex(case["wire"]))
    head = bytes([0x40 | message.type << 4 | len(message.token), message.code])
    assert head + message.mid.to_bytes(2, "big") == bytes.fromhex(case["header"])
    assert message.token == bytes.fromhex(case["token"])
    assert [[option.number, option.octets.hex()] for option in message.options] == case["options"]
    assert message.payload == case["payload"].encode()
    assert coap_flaws(message) == ()


@pytest.mark.parametrize("case", BLOCKS)
def test_block_value(case: dict[str, Any]) -> None:
    option = CoapOption(case["number"], bytes.fromhex(case["value"]))
    block = option.value
    assert isinstance(block, Block)
    assert str(block) == case["text"]
    assert block.offset == case["offset"]
    assert CoapOption.of(case["number"], block) == option
    # RFC 7959 section 2.2, implementation note: (val & ~0xF) << (val & 7)
    value = int.from_bytes(option.octets, "big")
    assert block.offset == (value & ~0xF) << (value & 7)


@pytest.mark.parametrize("case", CORNERS)
def test_corner_of_the_format(case: dict[str, Any]) -> None:
    wire = bytes.fromhex(case["wire"])
    if case["result"] == "invalid":
        found = attempt(wire)
        assert type(found) is getattr(errors, case["error"])
        assert isinstance(found, WireError)
        assert (found.offset, found.layer) == (case["offset"], "CoAP")
        assert found.cite is not None
        # the same behind other octets: the place is counted from the start of what was given
        with pytest.raises(WireError) as caught:
            coap.decode(Reader(b"\xaa" * 7 + wire, 7))
        assert caught.value.offset == case["offset"] + 7
        return
    message = decode(wire)
    assert [[option.number, option.octets.hex(" ")] for option in message.options] == case[
        "options"
    ]
    assert message.payload == bytes.fromhex(case.get("payload", ""))
    if case["result"] == "lenient":
        assert [flaw.text for flaw in coap_flaws(message)] == case["flaws"]


# --- the table of options --------------------------------------------------------------------------


@pytest.mark.parametrize("case", OPTIONS)
def test_option_row(case: dict[str, Any]) -> None:
    number, flags, name, kind, limits, oscore = case["row"].split()
    row = DEFINITIONS[int(number)]
    shortest, longest = map(int, limits.split("-"))
    assert (row.name, row.value.format) == (name, kind)
    assert (row.value.shortest, row.value.longest) == (shortest, longest)
    assert row.oscore == oscore
    assert row.critical is (flags[0] == "C")
    assert row.unsafe is (flags[1] == "U")
    if flags[2] != "-":
        assert row.no_cache_key is (flags[2] == "N")
    assert row.repeatable is (flags[3] == "R")


def test_every_row_is_in_the_vectors() -> None:
    assert {int(case.values[0]["row"].split()[0]) for case in OPTIONS} == set(DEFINITIONS)


def test_numbers_and_names_as_another_library_has_them() -> None:
    """aiocoap's registry; it has two numbers more, of drafts."""
    from aiocoap.numbers.codes import Code
    from aiocoap.numbers.contentformat import ContentFormat
    from aiocoap.numbers.optionnumbers import OptionNumber

    theirs = {int(number): number.name for number in OptionNumber}
    for number, row in DEFINITIONS.items():
        assert theirs[number] == row.name.upper().replace("-", "_")
        assert OptionNumber(number).is_critical() == row.critical
        assert OptionNumber(number).is_unsafe() == row.unsafe
        if not row.unsafe:
            assert OptionNumber(number).is_nocachekey() == row.no_cache_key
    # theirs go on with the signalling codes of CoAP over TCP, from 7.01 on
    codes = {int(code): code.name for code in Code if int(code) < coap_code("7.00")}
    assert {code: plain(name) for code, name in CODES.items()} == {
        code: plain(name) for code, name in codes.items()
    }
    for number, media_type in CONTENT_FORMATS.items():
        assert ContentFormat(number).media_type == media_type
    # RFC 8428 table 8 has these eight
    assert [one for one in CONTENT_FORMATS if 100 < one < 1000] == [*range(110, 116), 310, 311]


def plain(name: str) -> str:
    return name.replace("_", "").replace(" ", "").replace("-", "").lower()


# typed from what the sections say: RFC 7252 sections 5.10.1 ("of a request"), 5.10.2 ("to make a request to a
# forward-proxy"), 5.10.4 ("acceptable to the client"), 5.10.8 ("Conditional request options"), RFC 7967 section 2
# ("This option is a request option"); 5.10.5 ("a response may be cached"), 5.10.7 ("included in a 2.01 ... response")
ONLY_IN = {"request": {3, 7, 11, 15, 35, 39, 17, 1, 5, 258}, "response": {14, 8, 20}}


@pytest.mark.parametrize("number", sorted(DEFINITIONS))
@pytest.mark.parametrize("end", ["shortest", "longest"])
def test_limits_of_a_value(number: int, end: str) -> None:
    """At each limit an option has no flaw; one octet beyond it is named, in any message."""
    row = DEFINITIONS[number]
    code = coap_code("2.05" if number in ONLY_IN["response"] else "PUT")
    edge = getattr(row.value, end)
    inside, outside = b"\x01" * edge, b"\x01" * (edge + (1 if end == "longest" else -1))
    message = CoapMessage(
        CoapType.CON, code, 0, options=(CoapOption(number, inside),), payload=b"x"
    )
    unlucky = {9, 23, 27} if end == "longest" else {9}  # values that say more than their length
    if number not in unlucky:
        assert coap_flaws(message) == ()
        assert decode(bytes(message)) == message
    if end == "longest" or edge:
        message = CoapMessage(
            CoapType.CON, code, 0, options=(CoapOption(number, outside),), payload=b"x"
        )
        assert [flaw.option for flaw in coap_flaws(message)] == list(message.options)
        assert "are allowed" in coap_flaws(message)[0].text
        assert decode(bytes(message)) == message
        with pytest.raises(RequestError, match="are allowed"):
            CoapOption.of(number, outside)


def test_values_by_their_formats() -> None:
    """RFC 7252 section 3.2: 0 is an empty value, 1 a single octet."""
    assert CoapOption.of("Max-Age", 0).octets == b""
    assert CoapOption.of("Max-Age", 1).octets == b"\x01"
    assert CoapOption.of("Max-Age", 1 << 32 >> 1).octets == b"\x80\0\0\0"
    assert CoapOption.of("max-age", 60).value == 60
    assert (
        CoapOption(14, b"\0\0\x3c").value == 60
    )  # "MUST be prepared to process values with leading zero bytes"
    assert CoapOption.of("Uri-Host", "example.net").value == "example.net"
    assert CoapOption.of("If-None-Match").value == b""
    assert CoapOption.of(1, b"\xff").value == b"\xff"
    assert CoapOption.of("Content-Format", 112).meaning == "application/senml+cbor"
    assert CoapOption.of("No-Response", 26).meaning == "no interest in 2.xx, 4.xx, 5.xx"
    assert CoapOption.of("No-Response", 0).meaning == "interested in all responses"


@pytest.mark.parametrize(
    ("name", "value", "match"),
    [
        ("Uri-Pfad", "a", "no option is named"),
        ("Uri-Port", 65536, "are allowed"),
        ("Uri-Port", -1, "below 0"),
        ("Uri-Port", True, "takes a number"),
        ("Uri-Port", "a", "takes a number"),
        ("Uri-Path", 1, "takes a text"),
        ("Uri-Path", None, "takes a text"),
        ("Uri-Path", "a" * 256, "are allowed"),
        ("If-None-Match", 1, "takes no value"),
        ("ETag", None, "are allowed"),
        ("Observe", 1 << 24, "are allowed"),
        ("Block2", Block(0, False, 7), "0 to 6"),
        ("Block2", Block(1 << 20, False, 0), "20 bits"),
        (65536, b"", "0 to 65535"),
        (-1, b"", "0 to 65535"),
    ],
)
def test_wrong_option_is_refused(name: str | int, value: Any, match: str) -> None:
    with pytest.raises(RequestError, match=match):
        CoapOption.of(name, value)


def test_unknown_and_reserved_numbers() -> None:
    assert {0, 128, 132, 136, 140} == RESERVED_NUMBERS  # RFC 7252 table 7
    for number in RESERVED_NUMBERS:
        message = CoapMessage(CoapType.CON, 1, 0, options=(CoapOption(number, b""),))
        assert [flaw.text for flaw in coap_flaws(message)] == [
            f"option number {number} is reserved"
        ]
    elective = CoapMessage(CoapType.CON, 1, 0, options=(CoapOption(2048, b"x"),))
    critical = CoapMessage(CoapType.CON, 1, 0, options=(CoapOption(2049, b"x"),))
    assert coap_flaws(elective) == ()
    (flaw,) = coap_flaws(critical)
    assert "critical and not known" in flaw.text
    assert (
        flaw.allowed
    )  # "an option is never mandatory" (section 5.4.1): nothing forbids to send it
    assert definition(2049).oscore == "E"  # RFC 8613 section 4.1


# --- paths, codes, flaws ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "values"),
    [
        # RFC 7252 appendix B; the last one is the longest of them
        ("/", []),
        ("/.well-known/core", [(11, ".well-known"), (11, "core")]),
        ("/%E3%81%93%E3%82%93%E3%81%AB%E3%81%A1%E3%81%AF", [(11, "こんにちは")]),
        ("//%2F//?%2F%2F&?%26", [(11, ""), (11, "/"), (11, ""), (11, ""), (15, "//"), (15, "?&")]),
    ],
)
def test_path_becomes_options(path: str, values: list[tuple[int, str]]) -> None:
    options = coap_path(path)
    assert [(option.number, option.value) for option in options] == values
    # and back (section 6.5), but for the single / of no options, which is told as nothing
    assert CoapMessage(0, 1, 1, options=options).path == path.partition("?")[0].removesuffix(
        "/" * (path == "/")
    )


@given(
    st.lists(
        st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
        .filter(lambda segment: segment not in (".", ".."))
        .map(str.encode)
        | st.sampled_from([b"a/b", b"%41", b"~:@!$&'()*+,;=-._"]),
        max_size=4,
    )
)
def test_a_path_tells_its_options(segments: list[bytes]) -> None:
    """RFC 7252 section 6.5, step 6: what is percent-encoded is decoded again (6.4, step 8), a / in an option too."""
    options = tuple(CoapOption(11, segment) for segment in segments)
    told = CoapMessage(0, 1, 1, options=options).path
    assert coap_path(told) == (() if segments == [b""] else options)
    assert told.isascii()
    assert " " not in told


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (
            "/a#f",
            "fragment",
        ),  # RFC 7252 section 6.4, step 4: "If |url| has a <fragment> component, then fail"
        ("coap://h/a", "whole URI"),
        ("/%zz", "two hexadecimal digits"),  # RFC 3986 section 2.1
        ("/100%", "two hexadecimal digits"),
        ("/\ud800", "surrogate"),
        ("/%c3%28", "Uri-Path c328 is not UTF-8"),  # RFC 7252 section 3.2, and RFC 3629 section 3
        ("/a?%ff", "Uri-Query ff is not UTF-8"),
    ],
)
def test_what_is_no_path_is_refused(text: str, why: str) -> None:
    with pytest.raises(RequestError, match=why):
        coap_path(text)


def test_codes() -> None:
    assert coap_code("GET") == 1
    assert coap_code("2.05") == coap_code("content") == 69  # RFC 7252 figure 16: "2.05=69"
    assert code_text(69) == "2.05 Content"
    assert code_text(coap_code("2.10")) == "2.10 unassigned success"
    assert code_text(coap_code("7.01")) == "7.01 of a reserved class"
    for text in ("", "GETT", "8.00", "2.32", "2.", ".05"):
        with pytest.raises(RequestError):
            coap_code(text)


@pytest.mark.parametrize("code", range(256))
def test_usage_of_types(code: int) -> None:
    """RFC 7252 table 1, typed: which of CON, NON, ACK, RST may carry a request, a response, nothing."""
    kind = 0 if code == 0 else 1 if code < 32 else 2
    usable = {1: "CON NON", 2: "CON NON ACK", 0: "CON ACK RST"}[kind].split()
    for type_ in CoapType:
        valid = (CoapOption.of("ETag", b"a"),) if code == 67 else ()  # RFC 7252 section 5.9.1.3
        found = coap_flaws(CoapMessage(type_, code, 0, options=valid))
        reserved = code >> 5 in (1, 3, 6, 7)
        assert len(found) == reserved + (type_.name not in usable)


def flaw_texts(code: str, *options: CoapOption, payload: bytes = b"") -> list[str]:
    return [
        flaw.text
        for flaw in coap_flaws(CoapMessage(CoapType.CON, coap_code(code), 1, b"", options, payload))
    ]


def test_flaws_of_options() -> None:
    twice = CoapOption.of("Uri-Port", 1)
    assert flaw_texts("GET", twice, twice, twice) == ["Uri-Port is there more than once"]
    assert flaw_texts("GET", CoapOption.of("Uri-Path", "a"), CoapOption.of("Uri-Path", "b")) == []
    assert flaw_texts("GET", CoapOption(11, b"\xff")) == ["Uri-Path is not UTF-8"]
    assert flaw_texts("2.05", CoapOption(14, b"\0\1")) == [
        "Max-Age has leading zeros: octets that carry nothing"
    ]
    assert flaw_texts("GET", CoapOption(23, b"\x07")) == [
        "Block2 has size exponent 7, which is reserved"
    ]
    # of a reserved size nothing else can be wrong, also where M says that the payload has to be as long as the block
    assert flaw_texts("PUT", CoapOption(27, b"\x0f"), payload=b"x") == [
        "Block1 has size exponent 7, which is reserved"
    ]
    assert flaw_texts("POST", CoapOption(9, b"\xe0"), payload=b"x") == [
        "OSCORE option: reserved is 0x7, not 0x0"
    ]
    assert flaw_texts("GET", CoapOption(9)) == ["an OSCORE message has no payload"]


def test_uri_options_beside_a_proxy_uri() -> None:
    """RFC 7252 section 5.10.2: each of the four "MUST NOT be included in a request containing" it."""
    proxy, path = CoapOption.of("Proxy-Uri", "coap://h/a"), CoapOption.of("Uri-Path", "a")
    beside = "beside a Proxy-Uri, which stands for the whole URI"
    assert flaw_texts("GET", proxy) == []
    assert flaw_texts("GET", path, proxy) == [f"Uri-Path {beside}"]
    others = [CoapOption.of("Uri-Host", "h"), CoapOption.of("Uri-Port", 1), path,
              CoapOption.of("Uri-Query", "b"), proxy]  # fmt: skip
    assert flaw_texts("GET", *others) == [
        f"{name} {beside}" for name in ("Uri-Host", "Uri-Port", "Uri-Path", "Uri-Query")
    ]
    # RFC 8613 section 4.1.3.3: an opened request has its path from inside, and the Proxy-Uri none
    for authority in ("coap://example.com", "coap://[2001:db8::1]:61616"):
        outer = CoapOption.of("Proxy-Uri", authority)
        assert flaw_texts("GET", CoapOption.of("Uri-Path", "resource"), outer) == []
        assert flaw_texts("GET", CoapOption.of("Uri-Host", "h"), outer) == [f"Uri-Host {beside}"]


def test_a_diagnostic_payload_is_text() -> None:
    """RFC 7252 section 5.5.2: without a Content-Format that of an error "MUST be encoded using UTF-8"."""
    assert flaw_texts("4.04", payload=b"\xff\xfe") == ["the diagnostic payload is not UTF-8"]
    assert flaw_texts("5.00", payload="zu hei\u00df".encode()) == []
    assert flaw_texts("4.04", CoapOption.of("Content-Format", 60), payload=b"\xff") == []
    assert flaw_texts("2.05", payload=b"\xff") == []


@pytest.mark.parametrize("number", [number for number in DEFINITIONS if number != 9])
def test_options_that_belong_into_requests_or_responses_alone(number: int) -> None:
    """RFC 7252 section 5.4: an option that "is not defined for a Method or Response Code ... MUST NOT be included"."""
    option = CoapOption(number, b"\x01" * DEFINITIONS[number].value.shortest)
    for role, code in (("request", "PUT"), ("response", "2.05")):
        (other,) = {"request", "response"} - {role}
        found = coap_flaws(CoapMessage(CoapType.CON, coap_code(code), 1, b"", (option,)))
        if number in ONLY_IN[other]:
            (flaw,) = found
            assert f"is not defined for a {role}, only for a {other}" in flaw.text
            assert (str(flaw.cite), flaw.option) == ("RFC 7252 §5.4", option)
        else:
            assert found == ()
    # a signal numbers its options by itself (RFC 8323 section 5.2): only its code is told
    assert len(coap_flaws(CoapMessage(CoapType.CON, coap_code("7.01"), 1, b"", (option,)))) == 1


def test_an_entity_tag_comes_once_in_a_response() -> None:
    """RFC 7252 section 5.10.6.1: it "MUST NOT occur more than once in a response"; in a request it may (5.10.6.2)."""
    tags = [CoapOption.of("ETag", tag) for tag in (b"a", b"b")]
    assert flaw_texts("2.05", *tags, payload=b"x") == ["ETag is there more than once in a response"]
    assert flaw_texts("GET", *tags) == []


@pytest.mark.parametrize("dots", [b".", b".."])
def test_a_path_is_resolved_before_it_is_sent(dots: bytes) -> None:
    """RFC 7252 section 5.10.1: 'MUST NOT be "." or ".."', and section 5.10.7 for a location; a query may be so."""
    for code, name, number in (("GET", "Uri-Path", 11), ("2.01", "Location-Path", 8)):
        assert flaw_texts(code, CoapOption(number, dots)) == [f"{name} is never {dots.decode()!r}"]
        with pytest.raises(RequestError, match=r"is never .*Resolve the path first"):
            CoapOption.of(name, dots)
    assert flaw_texts("GET", CoapOption.of("Uri-Query", dots)) == []


@pytest.mark.parametrize("path", ["/a/../b", "a/./b", "..", "/.", "/%2e%2E", "/a/%2E?x=1"])
def test_a_path_with_dots_makes_no_options(path: str) -> None:
    """RFC 7252 section 6.4: the URI is resolved (step 2) before segments become options, escapes decoded (step 8)."""
    with pytest.raises(RequestError, match="Uri-Path is never"):
        coap_path(path)


def test_a_path_with_dots_in_names() -> None:
    """Of whole segments alone "." and ".." mean something (RFC 3986 section 3.3)."""
    assert [option.value for option in coap_path("/.well-known/a..b/...?..")] == [
        ".well-known", "a..b", "...", "..",
    ]  # fmt: skip


def test_codes_without_a_payload() -> None:
    """RFC 7252 section 5.5: of a code that is not defined to have a payload "a sender MUST NOT include one"."""
    tag = (CoapOption.of("ETag", b"a"),)
    # sections 5.8.1, 5.8.4 and 5.9.1.3; RFC 7959 section 2.9.1: "No payload is returned with this response code"
    for code, options, section in (
        ("GET", (), "RFC 7252 §5.5"),
        ("DELETE", (), "RFC 7252 §5.5"),
        ("2.03", tag, "RFC 7252 §5.9.1.3"),
        ("2.31", (), "RFC 7959 §2.9.1"),
    ):
        message = CoapMessage(CoapType.CON, coap_code(code), 1, b"", options, b"x")
        (flaw,) = coap_flaws(message)
        assert "is not defined to have a payload" in flaw.text
        assert str(flaw.cite) == section
        assert flaw_texts(code, *options) == []
    # RFC 7252 sections 5.8.2, 5.8.3, 5.9.1.1, 5.9.1.2, 5.9.1.4 and 5.5.2; RFC 8132 sections 2 and 3
    for code in [
        "POST",
        "PUT",
        "FETCH",
        "PATCH",
        "iPATCH",
        "2.01",
        "2.02",
        "2.04",
        "2.05",
        "4.04",
        "5.00",
    ]:
        assert flaw_texts(code, payload=b"x") == []


def test_a_valid_response_says_what_is_valid() -> None:
    """RFC 7252 section 5.9.1.3: "the response MUST include an ETag Option and MUST NOT include a payload"."""
    assert flaw_texts("2.03") == ["2.03 Valid has no ETag, which says what is valid"]
    assert len(flaw_texts("2.03", payload=b"x")) == 2


def test_more_blocks_need_a_full_block() -> None:
    """RFC 7959 section 2.3: "The block size implied by SZX MUST match the size of the payload", if M is set."""
    more = CoapOption.of("Block1", Block(0, True, 0))
    assert flaw_texts("PUT", more, payload=bytes(16)) == []
    assert "payload has 15" in flaw_texts("PUT", more, payload=bytes(15))[0]
    assert flaw_texts("PUT", CoapOption.of("Block1", Block(1, False, 0)), payload=b"x") == []
    # in a response Block1 acknowledges, Block2 describes
    assert flaw_texts("2.31", more) == []
    assert "payload has 0" in flaw_texts("2.05", CoapOption.of("Block2", Block(0, True, 2)))[0]


def test_block_spans_are_its_fields() -> None:
    writer = Writer()
    coap.encode(
        writer, CoapMessage(0, 1, 0, options=(CoapOption.of("Block2", Block(16, True, 2)),))
    )
    assert [(span.name, span.bits, span.value) for span in writer.spans[-3:]] == [
        ("Block2 number (NUM)", 12, 16),
        ("Block2 more (M)", 1, 1),
        ("Block2 size exponent (SZX)", 3, 2),
    ]


def test_what_no_reading_depends_on() -> None:
    """RFC 7252 section 3: message ID, token and payload are any octets; header, options and marker decide the rest."""
    message = bytes.fromhex("42 01 1234 cafe b3 616263 ff 7879")
    reader = Reader(message)
    coap.decode(reader)
    free = [(place.start, place.end) for place in reader.free]
    assert free == [(2, 4), (4, 6), (11, 13)]
    other = Reader(
        bytes(0xA5 if any(a <= n < b for a, b in free) else o for n, o in enumerate(message))
    )
    coap.decode(other)
    assert [span._replace(value=None) for span in other.spans] == [
        span._replace(value=None) for span in reader.spans
    ]


def test_what_cannot_be_sent() -> None:
    for message in (
        CoapMessage(0, 1, 0, bytes(9)),
        CoapMessage(0, 0, 0, b"a"),
        CoapMessage(0, 0, 0, payload=b"a"),
        CoapMessage(0, 0, 0, options=(CoapOption(1),)),
        CoapMessage(4, 1, 0),
        CoapMessage(0, 256, 0),
        CoapMessage(0, 1, 65536),
    ):
        with pytest.raises(RequestError):
            bytes(message)
    with pytest.raises(RequestError, match="is over"):
        CoapOption(1, bytes(65805))
    longest = CoapMessage(0, 1, 0, options=(CoapOption(2048, bytes(65804)),))
    assert decode(bytes(longest)) == longest


# --- second opinions -------------------------------------------------------------------------------

KNOWN = [row for row in DEFINITIONS.values() if row.number not in (9, 19, 21, 31)]


CODES_OF_MESSAGES = [code for code in CODES if code]
ANY_NUMBER = st.integers(0, 65535)
LENGTHS = {
    row.number: st.integers(row.value.shortest, min(row.value.longest, 300)) for row in KNOWN
}
UINTS = {
    # Hop-Limit, the one uint of a fixed length, begins at 1 (RFC 8768 section 3, from memory)
    row.number: st.integers(row.value.shortest, 256**row.value.longest - 1)
    for row in KNOWN
    if row.value.format == "uint"
}
# whether the number may be any, a known option, whether more blocks follow, and their size
KINDS_OF_OPTIONS = st.sampled_from(list(product(range(4), KNOWN, (False, True), range(7))))
BLOCK_NUMBERS = st.integers(0, 2**20 - 1)
CONTENTS = {size: st.binary(min_size=size, max_size=size) for size in range(301)}
FEW_OCTETS, TOKENS, PAYLOADS = (st.binary(max_size=size) for size in (20, 8, 40))
HEADS = st.sampled_from(list(product(CoapType, CODES_OF_MESSAGES)))
COUNTS = st.integers(0, 5)


def option(draw: st.DrawFn, *, any_number: bool) -> CoapOption:
    roll, row, more, exponent = draw(KINDS_OF_OPTIONS)
    if any_number and roll == 0:
        return CoapOption(draw(ANY_NUMBER), draw(FEW_OCTETS))
    if row.number in (23, 27):
        return CoapOption.of(row.number, Block(draw(BLOCK_NUMBERS), more, exponent))
    if row.value.format == "uint":
        number = draw(UINTS[row.number])
        octets = number.to_bytes((number.bit_length() + 7) // 8, "big")
        return CoapOption.of(row.number, octets.rjust(row.value.shortest, b"\0"))
    size = draw(LENGTHS[row.number])
    if row.value.format == "string":
        return CoapOption.of(row.number, "k" * size)
    return CoapOption(row.number, draw(CONTENTS[size]))


@st.composite
def messages(draw: st.DrawFn, *, any_number: bool = True) -> CoapMessage:
    kind, code = draw(HEADS)
    return CoapMessage(
        kind,
        code,
        draw(ANY_NUMBER),
        draw(TOKENS),
        tuple(option(draw, any_number=any_number) for _ in range(draw(COUNTS))),
        draw(PAYLOADS),
    )


@settings(max_examples=150)
@given(messages())
def test_what_is_encoded_is_decoded(message: CoapMessage) -> None:
    assert decode(bytes(message)) == message


@settings(max_examples=60)
@given(messages(any_number=False))
def test_another_library_encodes_the_same(message: CoapMessage) -> None:
    """aiocoap, given each option as octets."""
    import aiocoap
    from aiocoap.numbers import types
    from aiocoap.numbers.codes import Code
    from aiocoap.optiontypes import OpaqueOption

    other = aiocoap.Message(code=Code(message.code), payload=message.payload)
    other.mid, other.mtype, other.token = message.mid, types.Type(message.type), message.token
    for option in message.options:
        other.opt.add_option(OpaqueOption(option.number, option.octets))
    assert other.encode() == bytes(message)


@settings(max_examples=60)
@given(messages(any_number=False))
def test_another_library_reads_the_same(message: CoapMessage) -> None:
    """aiocoap's decoder, its option values put back to octets."""
    import aiocoap

    other = aiocoap.Message.decode(bytes(message))
    assert (int(other.code), other.mid, int(other.mtype)) == (
        message.code,
        message.mid,
        message.type,
    )
    assert (other.token, other.payload) == (message.token, message.payload)
    assert [(int(option.number), option.encode()) for option in other.opt.option_list()] == [
        (option.number, option.octets) for option in message.options
    ]


@pytest.mark.parametrize("case", FIGURES)
def test_scapy_reads_the_figures(case: dict[str, Any]) -> None:
    from scapy.contrib.coap import CoAP

    message = decode(bytes.fromhex(case["wire"]))
    other = CoAP(bytes.fromhex(case["wire"]))
    assert (other.type, other.code, other.msg_id) == (message.type, message.code, message.mid)
    assert other.token == message.token
    path = [value for name, value in other.options if name == "Uri-Path"]
    assert path == [option.octets for option in message.options]


# --- garbage ---------------------------------------------------------------------------------------


@settings(max_examples=200)
@given(st.binary(max_size=60))
def test_garbage_is_a_message_or_a_located_error(octets: bytes) -> None:
    for prefix in (b"", b"\x44\x01", b"\x50\x45\x00\x01"):
        found = attempt(prefix + octets)
        if isinstance(found, WireError):
            assert 0 <= found.offset <= len(prefix + octets)
            assert found.layer
            assert found.cite
        else:
            decode(prefix + octets)
            assert isinstance(coap_flaws(found), tuple)


@pytest.mark.parametrize("case", FIGURES + OBSERVED)
def test_cut_at_every_octet(case: dict[str, Any]) -> None:
    """A cut message is an error, or a message that ends between two options or in its payload."""
    wire = bytes.fromhex(case["wire"])
    whole = decode(wire)
    for end in range(len(wire)):
        found = attempt(wire[:end])
        if isinstance(found, CoapMessage):
            assert found.options == whole.options[: len(found.options)]
            assert whole.payload.startswith(found.payload)
        else:
            assert found.offset <= end


def test_many_options_take_work_in_proportion() -> None:
    """Options of one octet are the worst that octets can hold: more of them are read than a stack is deep."""

    def read(count: int) -> None:
        message = coap.decode(Reader(b"\x50\x01\0\0" + b"\x00" * count))
        assert len(message.options) == count

    read(10 * sys.getrecursionlimit())
    assert calls(partial(read, 1_000)) < 2.1 * calls(partial(read, 500))


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0x06, "block 0 of 1024 octets, no more follow"),
        (0x1E, "block 1 of 1024 octets, more follow"),
        (0x07, "block 0 of a reserved size, no more follow"),
        (0x00, "block 0 of 16 octets, no more follow"),
    ],
)
def test_what_a_block_option_says(value: int, text: str) -> None:
    """RFC 7959 section 2.2: 2**(SZX + 4) octets, 7 is reserved; M is the fourth bit, NUM the rest."""
    assert block_text(value) == text


def test_codes_that_are_reserved_answer_nothing() -> None:
    """RFC 7252 section 12.1: "1.00-1.31 Reserved"; 2.05, Content, is 010.00101."""
    assert not any(is_response(code) or is_request(code) for code in range(0x20, 0x40))
    assert is_response(0x45)
