"""OSCORE: RFC 8613 appendix C octet for octet, its compressed headers, another implementation, overhead, garbage."""

from collections.abc import Callable
from mmap import mmap
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM, ChaCha20Poly1305
from hypothesis import given, settings
from hypothesis import strategies as st
from vector_files import document

from lowpanbudget import errors
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.cites import rfc
from lowpanbudget.errors import BadMic, Malformed, RequestError, WireError
from lowpanbudget.layers.internet.aead import Aead, Family, Nonces, failure_at
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.block import Block
from lowpanbudget.layers.internet.coap.codes import CODES, coap_code
from lowpanbudget.layers.internet.coap.message import CoapMessage, coap_path
from lowpanbudget.layers.internet.coap.options import CoapOption, CoapOptions, CoapPayload
from lowpanbudget.layers.internet.coap.registry import DEFINITIONS
from lowpanbudget.layers.internet.oscore import option as oscore_option
from lowpanbudget.layers.internet.oscore import protect as oscore
from lowpanbudget.layers.internet.oscore.context import ALGORITHMS, SecurityContext, info
from lowpanbudget.layers.internet.oscore.option import OscoreOption
from lowpanbudget.layers.internet.oscore.protect import OscoreBinding

VECTORS = Path(__file__).parents[3] / "vectors" / "rfc8613"
APPENDIX_C = document(VECTORS / "appendix-c.toml")
SECRET = bytes.fromhex(APPENDIX_C["master_secret"])
DERIVATIONS = {case["id"]: case for case in APPENDIX_C["derivation"]}
PROTECTED = {case["id"]: case for case in APPENDIX_C["message"]}
VALUES = document(VECTORS / "section-6.toml")["case"]


def octets(case: dict[str, Any], key: str) -> bytes:
    return bytes.fromhex(case[key])


def context(name: str, *, server: bool = False) -> SecurityContext:
    case = DERIVATIONS[name]
    ids = (octets(case, "client_id"), octets(case, "server_id"))
    return SecurityContext.derive(
        SECRET,
        sender_id=ids[server],
        recipient_id=ids[not server],
        master_salt=octets(case, "master_salt"),
        id_context=octets(case, "id_context") if "id_context" in case else None,
    )


def message(wire: bytes) -> CoapMessage:
    return coap.decode(Reader(wire))


# --- appendix C ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", DERIVATIONS)
def test_derivation(name: str) -> None:
    case = DERIVATIONS[name]
    client, server = context(name), context(name, server=True)
    id_context = client.id_context
    assert info(octets(case, "client_id"), id_context, 10, "Key", 16) == octets(case, "client_info")
    assert info(octets(case, "server_id"), id_context, 10, "Key", 16) == octets(case, "server_info")
    assert info(b"", id_context, 10, "IV", 13) == octets(case, "iv_info")
    for one, other in ((client, server), (server, client)):
        assert one.sender_key == other.recipient_key
        assert one.common_iv == octets(case, "common_iv")
        assert one.nonce(client.sender_id, b"\0") == octets(case, "client_nonce")
        assert one.nonce(server.sender_id, b"\0") == octets(case, "server_nonce")
    assert client.sender_key == octets(case, "client_key")
    assert server.sender_key == octets(case, "server_key")


def protect(case: dict[str, Any]) -> oscore.OscoreResult:
    clear, is_response = message(octets(case, "clear")), "request" in case
    mine = context(case["context"], server=is_response)
    if not is_response:
        return oscore.protect_oscore_request(
            clear,
            mine,
            sequence=case["sequence"],
            send_kid_context=case.get("send_kid_context", False),
        )
    binding = protect(PROTECTED[case["request"]]).binding
    return oscore.protect_oscore_response(clear, mine, binding, sequence=case.get("sequence"))


@pytest.mark.parametrize("name", PROTECTED)
def test_protected_message(name: str) -> None:
    case = PROTECTED[name]
    result = protect(case)
    assert result.octets == octets(case, "protected") == bytes(result.message)
    assert len(result.octets) == case["octets"]
    assert result.message.payload == octets(case, "ciphertext")
    option = result.message.first(9)
    assert option is not None
    assert option.octets == octets(case, "option")
    mine = context(case["context"], server="request" in case)
    assert oscore.additional_data(mine, result.binding) == octets(case, "aad")
    maker = mine.sender_id if "sequence" in case else result.binding.kid
    piv = oscore_option.decode(Reader(option.octets)).piv or result.binding.piv
    assert mine.nonce(maker, piv) == octets(case, "nonce")


@pytest.mark.parametrize("name", PROTECTED)
def test_spans_of_a_protected_message(name: str) -> None:
    """They tile it, and under the ciphertext lie the octets of the plaintext that the appendix prints."""
    case = PROTECTED[name]
    result = protect(case)
    assert tiles(result.spans, len(result.octets) * 8)
    inside = [span for span in result.spans if span.layer == oscore.INNER]
    start = (len(result.octets) - len(result.message.payload)) * 8
    assert inside[0].offset_bits == start
    reader = Reader(octets(case, "plaintext"), layer=oscore.INNER)
    assert inside[0].value == reader.raw(1, "code")[0]
    for kind in (CoapOptions, CoapPayload):
        kind("part").read(reader, {}, coap.LAYOUT)
    assert inside[1:] == [
        span._replace(offset_bits=span.offset_bits + start) for span in reader.spans
    ]
    assert result.spans[-1].name == "tag"
    assert result.spans[-1].bits == 64
    assert result.spans[-1].removed_by == ""


@pytest.mark.parametrize("name", PROTECTED)
def test_protected_message_opens(name: str) -> None:
    case = PROTECTED[name]
    wire, is_response = message(octets(case, "protected")), "request" in case
    theirs = context(case["context"], server=not is_response)
    if is_response:
        opened = oscore.open_oscore_response(
            wire, theirs, protect(PROTECTED[case["request"]]).binding
        )
    else:
        opened = oscore.open_oscore_request(wire, theirs)
    assert bytes(opened.message) == octets(case, "clear")
    assert opened.spans == protect(case).spans
    assert opened.binding == protect(case).binding


# --- another implementation ------------------------------------------------------------------------


def their_context(mine: SecurityContext) -> Any:
    """Return the same security context in aiocoap's classes, which are semi-private."""
    from aiocoap import oscore as theirs

    class Other(theirs.CanProtect, theirs.CanUnprotect, theirs.SecurityContextUtils):  # type: ignore[misc]
        def __init__(self) -> None:
            self.alg_aead = {
                algorithm.value: algorithm for algorithm in theirs.algorithms.values()
            }[mine.algorithm]
            self.hashfun = theirs.hashfunctions["sha256"]
            self.sender_id, self.recipient_id = mine.sender_id, mine.recipient_id
            self.id_context = mine.id_context
            self.sender_sequence_number = 0
            self.derive_keys(b"", bytes(16))

        def post_seqnoincrease(self) -> None:
            pass

    return Other()


@pytest.mark.parametrize("number", [1, 3, 10, 11, 24, 30, 31])
@pytest.mark.parametrize("sequence", [0, 20, 0x1005, 0x100005, 2**40 - 2])
def test_another_implementation_protects_the_same(number: int, sequence: int) -> None:
    import aiocoap
    from aiocoap.message import Direction

    mine = SecurityContext.stand_in(sender_id=b"\x42", recipient_id=b"\x01", algorithm=number)
    other = their_context(mine)
    other.sender_sequence_number = sequence
    clear = CoapMessage(
        0,
        coap_code("POST"),
        7,
        b"\x10",
        (*coap_path("/well/depth"), CoapOption.of(12, 60)),
        b"\x19\x03\xe8",
    )
    wanted = aiocoap.Message(code=aiocoap.POST, payload=clear.payload)
    wanted.opt.uri_path = ("well", "depth")
    wanted.opt.content_format = 60
    wanted.direction = Direction.OUTGOING
    protected, _ = other.protect(wanted)
    protected.mid, protected.mtype, protected.token = 7, aiocoap.CON, b"\x10"
    result = oscore.protect_oscore_request(clear, mine, sequence=sequence)
    assert protected.encode() == result.octets


# --- the value of the option -----------------------------------------------------------------------


@pytest.mark.parametrize("case", VALUES, ids=[case["id"] for case in VALUES])
def test_option_value(case: dict[str, Any]) -> None:
    wire = octets(case, "wire")
    reader = Reader(wire)
    if case["result"] == "invalid":
        with pytest.raises(WireError) as caught:
            oscore_option.decode(reader)
        assert type(caught.value) is getattr(errors, case["error"])
        assert (caught.value.offset, caught.value.layer) == (case["offset"], "OSCORE")
        return
    value = oscore_option.decode(reader)
    parts = (octets(case, key) if key in case else None for key in ("piv", "kid_context", "kid"))
    assert value == OscoreOption(*parts)
    assert tiles(reader.spans, len(wire) * 8)
    assert value.sequence == (int(case["piv"], 16) if "piv" in case else None)
    assert bytes(value) == wire
    writer = Writer()
    oscore_option.encode(writer, value)
    assert writer.spans == reader.spans
    if "compressed" in case:  # option value and a ciphertext of 14 octets, as section 6.3 counts
        assert len(wire) + 14 == case["compressed"]


@pytest.mark.parametrize(
    "case", [case for case in VALUES if case["result"] == "invalid"], ids=lambda case: case["id"]
)
def test_wrong_option_value_is_located_in_its_message(case: dict[str, Any]) -> None:
    wire = octets(case, "wire")
    hurt = CoapMessage(
        0,
        2,
        1,
        b"\x77",
        (CoapOption(3, b"host"), CoapOption(9, wire), CoapOption(35, b"x")),
        bytes(9),
    )
    at = 4 + 1 + 5 + 1  # header, token, Uri-Host, head of the OSCORE option
    with pytest.raises(WireError) as caught:
        oscore.open_oscore_request(hurt, context("C.1", server=True))
    assert caught.value.offset == at + case["offset"]


def test_an_option_value_is_told_apart_in_its_message() -> None:
    """RFC 8613 figure 10 and appendix C.5: flags 0 0 0 h=0 k=1 n=1, Partial IV 0x14, kid 0x00."""
    reader = Reader(bytes(CoapMessage(0, 2, 1, options=(CoapOption(9, b"\x09\x14\0"),))))
    coap.decode(reader)
    inside = reader.spans[-6:]
    assert [(span.layer, span.bits) for span in inside] == [
        ("OSCORE", bits) for bits in (3, 1, 1, 3, 8, 8)
    ]
    assert [span.value for span in inside] == [0, 0, 1, 1, b"\x14", b"\0"]
    # what is no such value stays one: reserved flags are set
    reader = Reader(bytes(CoapMessage(0, 2, 1, options=(CoapOption(9, b"\xe9\x14\0"),))))
    coap.decode(reader)
    assert (reader.spans[-1].name, reader.spans[-1].bits) == ("OSCORE", 24)


def test_partial_iv() -> None:
    """RFC 8613 section 5: no leading zeros, but 0 is one octet; section 7.2.1: below 2**40."""
    assert oscore_option.piv_octets(0) == b"\0"
    assert oscore_option.piv_octets(255) == b"\xff"
    assert oscore_option.piv_octets(256) == b"\1\0"
    assert oscore_option.piv_octets((1 << 40) - 1) == b"\xff" * 5
    for number in (-1, 1 << 40):
        with pytest.raises(RequestError):
            oscore_option.piv_octets(number)


@pytest.mark.parametrize(
    "value",
    [
        OscoreOption(b""),
        OscoreOption(bytes(6)),
        OscoreOption(b"\1", bytes(256)),
        OscoreOption(b"\1", bytes(250), bytes(7)),
    ],
)
def test_option_value_without_room(value: OscoreOption) -> None:
    with pytest.raises(RequestError):
        bytes(value)


# --- which options go where ------------------------------------------------------------------------

OSCORE_ROWS = [row for row in DEFINITIONS.values() if row.number not in (6, 9, 35)]


@pytest.mark.parametrize("number", [row.number for row in OSCORE_ROWS])
def test_options_go_where_figure_5_says(number: int) -> None:
    """Class E inside, class U outside; an option of both goes inside (sections 4.1.3.1 to 4.1.3.6)."""
    row = DEFINITIONS[number]
    option = CoapOption(number, b"\x01" * max(row.value.shortest, min(row.value.longest, 1)))
    clear = CoapMessage(0, 1, 1, options=(option,))
    outer = oscore.protect_oscore_request(clear, context("C.1"), sequence=0).message
    assert (number in [found.number for found in outer.options]) is (row.oscore == "U")
    assert oscore.open_oscore_request(outer, context("C.1", server=True)).message == clear


def test_observe_goes_both_ways() -> None:
    """RFC 8613 sections 4.1.3.5 and 4.2: outer code FETCH or Content; empty inner value in notifications."""
    client, server = context("C.1"), context("C.1", server=True)
    register = CoapMessage(
        0, coap_code("GET"), 1, b"\1", (CoapOption.of("Observe", 0), *coap_path("/t"))
    )
    request = oscore.protect_oscore_request(register, client, sequence=0)
    assert request.message.code == coap_code("FETCH")
    assert request.message.first(6) == CoapOption.of("Observe", 0)
    opened = oscore.open_oscore_request(request.message, server)
    assert opened.message == register
    notification = CoapMessage(
        1, coap_code("Content"), 2, b"\1", (CoapOption.of("Observe", 300),), b"21.5"
    )
    response = oscore.protect_oscore_response(notification, server, opened.binding, sequence=5)
    assert response.message.code == coap_code("Content")
    assert response.message.first(6) == CoapOption.of("Observe", 300)
    found = oscore.open_oscore_response(response.message, client, request.binding).message
    assert found.first(6) == CoapOption(6)
    assert found.payload == b"21.5"


def test_outer_options_of_class_e_are_discarded() -> None:
    """RFC 8613 section 8.2 step 1: an If-Match from outside is discarded, a Uri-Host is not."""
    clear = CoapMessage(0, 1, 1, options=(*coap_path("/t"), CoapOption.of("Uri-Host", "a")))
    outer = oscore.protect_oscore_request(clear, context("C.1"), sequence=0).message
    more = CoapMessage(
        0, 2, 1, b"", (*outer.options, CoapOption(1, b"x"), CoapOption.of(14, 0)), outer.payload
    )
    assert oscore.open_oscore_request(more, context("C.1", server=True)).message == clear


def test_outer_options_for_proxies() -> None:
    clear = CoapMessage(0, 1, 1, options=coap_path("/t"))
    block = CoapOption.of("Block2", Block(0, False, 2))
    result = oscore.protect_oscore_request(clear, context("C.1"), sequence=0, outer=(block,))
    assert result.message.first(23) == block
    for wrong in (CoapOption.of("Uri-Path", "a"), CoapOption(9), CoapOption.of("Observe", 0)):
        with pytest.raises(RequestError, match="outside"):
            oscore.protect_oscore_request(clear, context("C.1"), sequence=0, outer=(wrong,))


def test_what_cannot_be_protected() -> None:
    client, server = context("C.1"), context("C.1", server=True)
    get = CoapMessage(0, 1, 1)
    with pytest.raises(RequestError, match="no request"):
        oscore.protect_oscore_request(CoapMessage(0, 69, 1), client, sequence=0)
    with pytest.raises(RequestError, match="no request"):
        oscore.protect_oscore_request(CoapMessage(0, 0, 1), client, sequence=0)
    with pytest.raises(RequestError, match="no response"):
        oscore.protect_oscore_response(get, server, OscoreBinding(b"", b"\0"))
    with pytest.raises(RequestError, match="once more"):
        oscore.protect_oscore_request(
            CoapMessage(0, 1, 1, options=(CoapOption(9),)), client, sequence=0
        )
    uri = CoapOption.of("Proxy-Uri", "coap://example.com/resource?q=1")
    with pytest.raises(RequestError, match="decomposed"):
        oscore.protect_oscore_request(CoapMessage(0, 1, 1, options=(uri,)), client, sequence=0)
    with pytest.raises(RequestError, match="no ID context"):
        oscore.protect_oscore_request(get, client, sequence=0, send_kid_context=True)
    with pytest.raises(RequestError, match="from 0 to 1099511627775"):
        oscore.protect_oscore_request(get, client, sequence=1 << 40)
    with pytest.raises(RequestError, match="too many"):
        oscore.protect_oscore_request(
            CoapMessage(0, 2, 1, payload=bytes(65535)), client, sequence=0
        )


def test_most_octets_of_one_text() -> None:
    """RFC 3610 section 2: with a nonce of 13 octets two are left to count the text, so 65535 octets are the most."""
    cipher = ALGORITHMS[10].aead
    longest = cipher.seal(bytes(16), bytes(13), bytes(65535), b"")
    assert len(longest) == 65535 + 8
    failure = failure_at(0, "OSCORE", rfc(8613, "8"))
    assert cipher.unseal(bytes(16), bytes(13), longest, b"", failure) == bytes(65535)
    with pytest.raises(RequestError, match="too many"):
        cipher.seal(bytes(16), bytes(13), bytes(65536), b"")
    with pytest.raises(BadMic, match="cannot be a text"):
        cipher.unseal(bytes(16), bytes(13), longest + b"\0", b"", failure)


@pytest.mark.parametrize("family", ["GCM", "ChaCha20-Poly1305"])
def test_a_text_is_not_longer_than_the_library_takes(family: Family) -> None:
    """The ciphers themselves would take more; what is one octet too long is refused before the library refuses it."""
    cipher, key = Aead(family, 32, 12, 16), bytes(32)
    library = AESGCM(key) if family == "GCM" else ChaCha20Poly1305(key)
    text = memoryview(mmap(-1, 1 << 31))  # pages that nobody touches take no memory
    with pytest.raises(OverflowError, match=r"Max 2\*\*31 - 1 bytes"):
        library.encrypt(bytes(12), text, b"")
    with pytest.raises(RequestError, match="too many"):
        cipher.seal(key, bytes(12), text, b"")  # type: ignore[arg-type]
    assert cipher.longest == 2**31 - 1


def test_one_nonce_once() -> None:
    """RFC 8613 section 7.2; a response without Partial IV uses the request's nonce, which may be done once."""
    client, server = context("C.1"), context("C.1", server=True)
    get, content = CoapMessage(0, 1, 1), CoapMessage(2, 69, 1, payload=b"x")
    used, theirs = Nonces(), Nonces()
    first = oscore.protect_oscore_request(get, client, sequence=0, used=used)
    oscore.protect_oscore_request(get, client, sequence=1, used=used)
    with pytest.raises(RequestError, match="has been used"):
        oscore.protect_oscore_request(get, client, sequence=0, used=used)
    oscore.protect_oscore_response(content, server, first.binding, used=theirs)
    oscore.protect_oscore_response(content, server, first.binding, sequence=0, used=theirs)
    with pytest.raises(RequestError, match="has been used"):
        oscore.protect_oscore_response(content, server, first.binding, used=theirs)
    assert repr(used) == "Nonces(cite=None)"


# --- what does not open ----------------------------------------------------------------------------


def test_altered_octets_do_not_open() -> None:
    """Every bit of ciphertext, Partial IV and kid counts; header and outer options do not."""
    good = message(octets(PROTECTED["C.5"], "protected"))
    server = context("C.2", server=True)
    for place in range(len(good.payload)):
        hurt = bytearray(good.payload)
        hurt[place] ^= 1
        with pytest.raises(BadMic) as caught:
            oscore.open_oscore_request(
                CoapMessage(0, 2, good.mid, good.token, good.options, bytes(hurt)), server
            )
        assert caught.value.offset == 36 - 13
        assert caught.value.layer == "OSCORE"
    moved = CoapMessage(
        1, 2, 99, b"", (CoapOption.of(3, "a"), CoapOption(9, b"\x09\x14\x00")), good.payload
    )
    assert oscore.open_oscore_request(moved, server).message.code == 1
    replayed = CoapMessage(0, 2, 99, b"", (CoapOption(9, b"\x09\x15\x00"),), good.payload)
    with pytest.raises(BadMic):
        oscore.open_oscore_request(replayed, server)


@pytest.mark.parametrize(
    ("code", "parts", "payload", "match"),
    [
        (69, (CoapOption(9, b"\x09\x14"),), b"x" * 9, "no request"),
        (2, (), b"x" * 9, "0 OSCORE options"),
        (2, (CoapOption(9, b"\x09\x14"), CoapOption(9)), b"x" * 9, "2 OSCORE options"),
        (2, (CoapOption(9, b"\x09\x14"),), b"", "has a payload"),
        (2, (CoapOption(9),), b"x" * 9, "Partial IV and a kid"),
        (2, (CoapOption(9, b"\x08"),), b"x" * 9, "Partial IV and a kid"),
        (2, (CoapOption(9, b"\x01\x14"),), b"x" * 9, "Partial IV and a kid"),
        (2, (CoapOption(9, b"\x09\x14\x07"),), b"x" * 9, "not the recipient ID"),
        (2, (CoapOption(9, b"\x19\x14\x01a"),), b"x" * 9, "not the ID context"),
        (2, (CoapOption(9, b"\x09\x14"),), b"x" * 7, "cannot be a text"),
    ],
)
def test_no_oscore_request(
    code: int, parts: tuple[CoapOption, ...], payload: bytes, match: str
) -> None:
    with pytest.raises(WireError, match=match):
        oscore.open_oscore_request(
            CoapMessage(0, code, 1, b"", parts, payload), context("C.1", server=True)
        )
    binding = OscoreBinding(b"", b"\x14")
    if code != 69:
        with pytest.raises(WireError):
            oscore.open_oscore_response(
                CoapMessage(0, code, 1, b"", parts, payload), context("C.1"), binding
            )


@pytest.mark.parametrize(
    ("plaintext", "error", "offset"),
    [
        ("", "Truncated", 0),
        ("01 ff", "Malformed", 1),
        ("01 bf 61", "Reserved", 1),
        ("01 b4 61", "Truncated", 2),
    ],
)
def test_plaintext_that_is_no_message(plaintext: str, error: str, offset: int) -> None:
    """Sealed rightly, and wrong inside: the place is counted in the protected message."""
    client, server = context("C.1"), context("C.1", server=True)
    binding = OscoreBinding(b"", b"\0")
    sealed = client.aead.seal(
        client.sender_key,
        client.nonce(b"", b"\0"),
        bytes.fromhex(plaintext),
        oscore.additional_data(client, binding),
    )
    outer = CoapMessage(0, 2, 1, b"\x05", (CoapOption(9, b"\x09\0"),), sealed)
    with pytest.raises(getattr(errors, error)) as caught:
        oscore.open_oscore_request(outer, server)
    assert caught.value.offset == 4 + 1 + 3 + 1 + offset


def attempt(reads: Callable[..., Any], *arguments: Any) -> WireError:
    """Return the error that reading garbage ends in; nothing else passes."""
    with pytest.raises(WireError) as caught:
        reads(*arguments)
    return caught.value


@settings(max_examples=200)
@given(st.binary(max_size=20), st.binary(max_size=30))
def test_garbage_is_a_located_error(value: bytes, payload: bytes) -> None:
    server = context("C.1", server=True)
    garbage = CoapMessage(0, 2, 1, b"", (CoapOption(9, value[:255]),), payload)
    response = CoapMessage(0, 68, 1, b"", garbage.options, payload)
    for found in (
        attempt(oscore.open_oscore_request, garbage, server),
        attempt(oscore.open_oscore_response, response, server, OscoreBinding(b"", b"\0")),
    ):
        assert 0 <= found.offset <= len(bytes(garbage))
        assert found.layer == "OSCORE"
    reader = Reader(value)
    try:
        oscore_option.decode(reader)
    except WireError:
        return
    assert tiles(reader.spans, len(value) * 8)


identifiers = st.binary(max_size=7)


@settings(max_examples=80)
@given(
    st.tuples(identifiers, identifiers).filter(lambda pair: pair[0] != pair[1]),
    st.integers(0, (1 << 40) - 1),
    st.none() | st.binary(max_size=8),
    st.sampled_from(sorted(ALGORITHMS)),
    st.binary(max_size=40),
    st.lists(st.sampled_from([1, 3, 4, 5, 7, 11, 12, 15, 17, 27, 39, 60, 258, 2048]), max_size=5),
)
def test_what_is_protected_opens(
    ids: tuple[bytes, bytes],
    sequence: int,
    id_context: bytes | None,
    algorithm: int,
    payload: bytes,
    numbers: list[int],
) -> None:
    longest = ALGORITHMS[algorithm].longest_id
    ids = (ids[0][:longest], ids[1][:longest])
    if ids[0] == ids[1]:
        return
    client, server = (
        SecurityContext.derive(
            b"footbridge", sender_id=a, recipient_id=b, id_context=id_context, algorithm=algorithm
        )
        for a, b in (ids, ids[::-1])
    )
    parts = tuple(CoapOption(number, b"\1" * (number != 5)) for number in numbers)
    clear = CoapMessage(0, coap_code("PUT"), 3, b"\1\2", parts, payload)
    request = oscore.protect_oscore_request(
        clear, client, sequence=sequence, send_kid_context=id_context is not None
    )
    assert tiles(request.spans, len(request.octets) * 8)
    opened = oscore.open_oscore_request(message(request.octets), server)
    assert opened.message == clear
    answer = CoapMessage(2, coap_code("Changed"), 3, b"\1\2", (), payload)
    for number in (None, sequence):
        response = oscore.protect_oscore_response(answer, server, opened.binding, sequence=number)
        assert tiles(response.spans, len(response.octets) * 8)
        found = oscore.open_oscore_response(message(response.octets), client, request.binding)
        assert found.message == answer
        other = OscoreBinding(request.binding.kid, b"\7" if request.binding.piv != b"\7" else b"\6")
        with pytest.raises(BadMic):
            oscore.open_oscore_response(response.message, client, other)


# --- overhead --------------------------------------------------------------------------------------


def overhead(sequence: int, sender_id: bytes, *, algorithm: int = 10) -> tuple[int, int]:
    """Return what protection adds to a request and to its response, with 6 octets of options and payload.

    The comparison draft counts protected less unprotected length; nothing else changes between the two.
    """
    client = SecurityContext.stand_in(
        sender_id=sender_id, recipient_id=b"\xee", algorithm=algorithm
    )
    server = SecurityContext.stand_in(
        sender_id=b"\xee", recipient_id=sender_id, algorithm=algorithm
    )
    get = CoapMessage(0, coap_code("GET"), 1, b"\1", coap_path("/depth"))
    assert len(bytes(get)) == 4 + 1 + 6
    request = oscore.protect_oscore_request(get, client, sequence=sequence)
    content = CoapMessage(2, coap_code("Content"), 1, b"\1", (), b"22.35")
    assert len(bytes(content)) == 4 + 1 + 6
    response = oscore.protect_oscore_response(content, server, request.binding)
    return len(request.octets) - len(bytes(get)), len(response.octets) - len(bytes(content))


@pytest.mark.parametrize(
    ("sequence", "sender_id", "request_octets"),
    [
        (0x05, "", 13),
        (0x1005, "", 14),
        (0x100005, "", 15),
        (0x05, "42", 14),
        (0x05, "4002", 15),
    ],
)
def test_overhead_of_the_comparison_draft(
    sequence: int, sender_id: str, request_octets: int
) -> None:
    """draft-ietf-iotops-security-protocol-comparison (2025-01), table of overhead in octets, tag of 8: rows OSCORE."""
    assert overhead(sequence, bytes.fromhex(sender_id)) == (request_octets, 11)
    # "16-octet tag: +8" in the same draft
    assert overhead(sequence, bytes.fromhex(sender_id), algorithm=30) == (request_octets + 8, 19)


def test_cost_of_security_in_rfc_8824() -> None:
    """RFC 8824 figures 8 to 13: the plaintexts, and the sizes without its inner compression.

    Its messages were recorded with option number 21, before 9 was assigned, and compressed inside before sealing:
    so keys and ciphertexts cannot be compared, plaintext and option value can.
    """
    get = message(bytes.fromhex("4101000182bb74656d7065726174757265"))
    client = SecurityContext.stand_in(sender_id=b"client"[:6], recipient_id=b"\1")
    result = oscore.protect_oscore_request(get, client, sequence=4)
    value = result.message.first(9)
    assert value is not None
    assert value.octets == bytes.fromhex("0904636c69656e74")
    assert len(result.message.payload) == len(bytes.fromhex("01bb74656d7065726174757265")) + 8
    content = message(bytes.fromhex("6145000182ff32332043"))
    server = SecurityContext.stand_in(sender_id=b"\1", recipient_id=b"client")
    answer = oscore.protect_oscore_response(content, server, result.binding)
    assert len(answer.message.payload) == len(bytes.fromhex("45ff32332043")) + 8 == 14
    assert (result.message.code, answer.message.code) == (2, 68)  # POST, Changed in both figures


# --- keys stay hidden ------------------------------------------------------------------------------


def test_keys_are_never_shown() -> None:
    case = DERIVATIONS["C.1"]
    mine = context("C.1")
    shown = [repr(mine), str(mine), f"{mine}"]
    result = oscore.protect_oscore_request(CoapMessage(0, 1, 1), mine, sequence=0)
    shown += [repr(result)]
    for wrong in (b"", bytes(15), bytes(17)):
        with pytest.raises(RequestError) as caught:
            mine.aead.seal(wrong, bytes(13), b"", b"")
        shown.append(str(caught.value))
    for key in ("client_key", "server_key", "common_iv"):
        secret = octets(case, key)
        for text in shown:
            assert secret.hex() not in text
            assert repr(secret)[2:-1] not in text


def test_identifiers_and_algorithms_are_checked() -> None:
    with pytest.raises(RequestError, match="over 7"):
        SecurityContext.stand_in(sender_id=bytes(8), recipient_id=b"")
    with pytest.raises(RequestError, match="over 6"):
        SecurityContext.stand_in(sender_id=bytes(7), recipient_id=b"", algorithm=1)
    with pytest.raises(RequestError, match="same identifier"):
        SecurityContext.stand_in(sender_id=b"a", recipient_id=b"a")
    with pytest.raises(RequestError, match="Known: 1 A128GCM"):
        SecurityContext.stand_in(sender_id=b"a", recipient_id=b"", algorithm=99)


def test_binding_that_no_request_made() -> None:
    client = context("C.1")
    for binding in (
        OscoreBinding(bytes(8), b"\0"),
        OscoreBinding(b"", bytes(6)),
        OscoreBinding(b"", b""),
    ):
        with pytest.raises(RequestError):
            oscore.protect_oscore_response(CoapMessage(2, 69, 1), client, binding)


def test_codes_that_oscore_needs_are_there() -> None:
    assert {CODES[2], CODES[5], CODES[68], CODES[69]} == {"POST", "FETCH", "Changed", "Content"}


def test_open_response_refuses_a_request_code() -> None:
    outer = CoapMessage(0, 2, 1, b"", (CoapOption(9),), bytes(9))
    with pytest.raises(Malformed, match="no response"):
        oscore.open_oscore_response(outer, context("C.1"), OscoreBinding(b"", b"\0"))


def test_an_option_takes_255_octets_and_no_more() -> None:
    """RFC 8613 section 2: 0 to 255 octets; one of flags, the rest the kid."""
    writer = Writer()
    oscore_option.encode(writer, OscoreOption(kid=bytes(254)))
    assert writer.pos == 255
    with pytest.raises(RequestError, match="256 octets"):
        oscore_option.encode(Writer(), OscoreOption(kid=bytes(255)))
