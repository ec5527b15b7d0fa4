"""Octets of what stands in a datagram, read and written through the public names; the octets are those of RFCs."""

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import lowpanbudget
from lowpanbudget import (
    Alert,
    BadMic,
    Block,
    CoapFlaw,
    CoapMessage,
    CoapOption,
    CodeStep,
    DtlsRecord,
    DtlsSuite,
    Expansion,
    Handshake,
    Malformed,
    NoDatagram,
    Nonces,
    OpenedRecord,
    OscoreBinding,
    OscoreOption,
    OscoreResult,
    RecordKeys,
    RequestError,
    Reserved,
    SecurityContext,
    Truncated,
    Udp,
    Unified,
    WireError,
    coap_code,
    coap_flaws,
    coap_path,
    dtls_suite,
    open_dtls,
    open_oscore_request,
    open_oscore_response,
    protect_oscore_request,
    protect_oscore_response,
    read_coap,
    read_dtls,
    read_dtls_content,
    read_ghc,
    read_oscore_option,
    read_senml,
    resolve_senml,
    seal_dtls,
    write_coap,
    write_dtls,
    write_ghc,
    write_senml,
)

# --- CoAP ------------------------------------------------------------------------------------------

# RFC 7252 appendix A figure 16: GET /temperature and the response
GET = bytes.fromhex("40017d34bb") + b"temperature"
CONTENT = bytes.fromhex("60457d34ff") + b"22.3 C"


def test_coap_messages_of_the_standard() -> None:
    request = CoapMessage(0, coap_code("GET"), 0x7D34, options=coap_path("/temperature"))
    assert read_coap(GET) == request
    assert write_coap(request) == GET
    assert request.options == (CoapOption(11, b"temperature"),)
    response = read_coap(CONTENT)
    assert (response.type, response.code, response.mid) == (2, coap_code("2.05"), 0x7D34)
    assert response.payload == b"22.3 C"
    assert write_coap(response) == CONTENT
    # RFC 7959 section 2.2: NUM 1, M 1, SZX 2 (64 octets)
    assert CoapOption.of("Block2", Block(1, True, 2)).octets == bytes([0b0001_1010])


def test_coap_faults_have_their_place() -> None:
    """RFC 7252 section 3: a marker without payload, token lengths 9 to 15, an option that ends early."""
    for octets, kind, offset in (
        ("40017d34ff", Malformed, 4),
        ("49017d34", Reserved, 0),
        ("40017d34bb74", Truncated, 5),
    ):
        with pytest.raises(kind) as caught:
            read_coap(bytes.fromhex(octets))
        assert caught.value.offset == offset
    (flaw,) = coap_flaws(bytes.fromhex("60017d34"))  # section 4.3, table 1
    assert isinstance(flaw, CoapFlaw)
    assert "acknowledgement carries a request" in flaw.text


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: read_coap("40017d34"),  # type: ignore[arg-type]
        lambda: write_coap(GET),  # type: ignore[arg-type]
        lambda: write_coap(CoapMessage(0, 1, 1, token="ab")),  # type: ignore[arg-type]
        lambda: write_coap(CoapMessage(0, 1, 1, payload="x")),  # type: ignore[arg-type]
        lambda: write_coap(CoapMessage(4, 1, 1)),
        lambda: write_coap(CoapMessage(0, 1, 1, token=bytes(9))),
        lambda: CoapMessage(0, 1, 1, options=("Uri-Path",)),  # type: ignore[arg-type]
        lambda: CoapOption("Uri-Path", b""),  # type: ignore[arg-type]
        lambda: CoapOption(11, "x"),  # type: ignore[arg-type]
        lambda: coap_code("GOT"),
        lambda: coap_path("/" + 256 * "a"),
    ],
)
def test_coap_requests_that_cannot_be_met(wrong: Callable[[], Any]) -> None:
    with pytest.raises(RequestError):
        wrong()


# --- OSCORE ----------------------------------------------------------------------------------------

# RFC 8613 appendix C.1.1, C.1.2, C.4, C.7
SECRET, SALT = bytes(range(1, 17)), bytes.fromhex("9e7ca92223786340")
CLIENT = SecurityContext.derive(SECRET, master_salt=SALT, sender_id=b"", recipient_id=b"\1")
SERVER = SecurityContext.derive(SECRET, master_salt=SALT, sender_id=b"\1", recipient_id=b"")
CLEAR = bytes.fromhex("44015d1f00003974396c6f63616c686f737483747631")
PROTECTED = bytes.fromhex("44025d1f00003974396c6f63616c686f7374620914ff612f1092f1776f1c1668b3825e")
CLEAR_RESPONSE = bytes.fromhex("64455d1f00003974ff48656c6c6f20576f726c6421")
PROTECTED_RESPONSE = bytes.fromhex(
    "64445d1f0000397490ffdbaad1e9a7e7b2a813d3c31524378303cdafae119106"
)


def test_oscore_messages_of_the_standard() -> None:
    used = Nonces()
    request = protect_oscore_request(CLEAR, CLIENT, sequence=20, used=used)
    assert isinstance(request, OscoreResult)
    assert request.octets == PROTECTED
    assert request.binding == OscoreBinding(b"", b"\x14")
    with pytest.raises(RequestError, match="has been used"):
        protect_oscore_request(read_coap(CLEAR), CLIENT, sequence=20, used=used)
    opened = open_oscore_request(PROTECTED, SERVER)
    assert write_coap(opened.message) == CLEAR
    response = protect_oscore_response(CLEAR_RESPONSE, SERVER, opened.binding)
    assert response.octets == PROTECTED_RESPONSE
    again = open_oscore_response(PROTECTED_RESPONSE, CLIENT, request.binding)
    assert write_coap(again.message) == CLEAR_RESPONSE
    assert SECRET.hex() not in repr(CLIENT)
    assert CLIENT.sender_key.hex() not in repr(CLIENT)


def test_oscore_faults_have_their_place() -> None:
    altered = PROTECTED[:-1] + bytes([PROTECTED[-1] ^ 1])
    with pytest.raises(BadMic) as caught:
        open_oscore_request(altered, SERVER)
    assert caught.value.offset == PROTECTED.index(b"\xff") + 1
    # RFC 8613 section 6.3 example 1, section 6.1: n of 6 is reserved
    assert read_oscore_option(bytes.fromhex("090525")) == OscoreOption(b"\5", kid=b"\x25")
    assert bytes(OscoreOption(b"\5", kid=b"\x25")) == bytes.fromhex("090525")
    with pytest.raises(Reserved):
        read_oscore_option(b"\x06")
    for wrong in ("x", b""):
        with pytest.raises(RequestError):
            SecurityContext.derive(SECRET, sender_id=wrong, recipient_id=b"")  # type: ignore[arg-type]


# --- DTLS ------------------------------------------------------------------------------------------

CCM_8 = "TLS_PSK_WITH_AES_128_CCM_8"


def test_a_dtls_record_in_the_clear() -> None:
    """RFC 6347 section 4.1 and RFC 5246 section 7.2, by hand: a warning of "close notify"."""
    octets = bytes.fromhex("15 fefd 0000 000000000001 0002 0100")
    record = DtlsRecord(21, 0, 1, b"\1\0")
    assert read_dtls(octets) == (record,)
    assert write_dtls(record) == octets
    assert read_dtls_content(record.fragment, record.content_type) == (Alert(1, 0),)
    # RFC 6347 section 4.2.2: an empty server hello done
    hello = bytes.fromhex("0e 000000 0003 000000 000000")
    assert read_dtls_content(hello, 22) == (Handshake(14, 0, 3, 0, b""),)
    assert read_dtls(octets + octets) == (record, record)
    with pytest.raises(Truncated):
        read_dtls(octets[:-1])
    with pytest.raises(Reserved):
        read_dtls(b"\x10")


def test_a_sealed_dtls_record() -> None:
    """RFC 6655 section 3 and RFC 5246 section 6.2.3.3, by hand over a general cipher."""
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM

    suite = dtls_suite(CCM_8)
    assert isinstance(suite, DtlsSuite)
    keys = RecordKeys(bytes(range(16)), b"salt")
    number = bytes.fromhex("0001 000000000005")
    additional = number + b"\x17\xfe\xfd" + b"\0\6"
    sealed = AESCCM(keys.key, tag_length=8).encrypt(keys.iv + number, b"22.3 C", additional)
    octets = b"\x17\xfe\xfd" + number + (8 + len(sealed)).to_bytes(2, "big") + number + sealed
    record = seal_dtls(b"22.3 C", keys, suite, epoch=1, sequence=5)
    assert write_dtls(record) == octets
    assert open_dtls(octets, keys, suite) == OpenedRecord(23, b"22.3 C", 5)
    with pytest.raises(BadMic) as caught:
        open_dtls(octets[:-1] + b"?", keys, suite)
    assert caught.value.offset == 13 + 8
    assert keys.key.hex() not in repr(keys)
    with pytest.raises(RequestError, match="2 records"):
        open_dtls(octets + octets, keys, suite)
    with pytest.raises(RequestError, match=CCM_8):
        dtls_suite("TLS_NULL")


@given(content=st.binary(max_size=40), sequence=st.integers(0, 70000), cid=st.binary(max_size=3))
def test_sealed_records_of_both_versions_open_again(
    content: bytes, sequence: int, cid: bytes
) -> None:
    for name in (CCM_8, "TLS_AES_128_CCM_8_SHA256"):
        suite = dtls_suite(name)
        keys = RecordKeys.stand_in(suite)
        record = seal_dtls(content, keys, suite, epoch=3, sequence=sequence, cid=cid)
        assert isinstance(record, DtlsRecord if suite.version == "1.2" else Unified)
        octets = write_dtls(record)
        assert read_dtls(octets, cid_length=len(cid)) == (record,)
        opened = open_dtls(octets, keys, suite, cid_length=len(cid), next_sequence=sequence)
        assert opened == OpenedRecord(23, content, sequence)


# --- GHC -------------------------------------------------------------------------------------------

# RFC 7400 appendix A figure 8
ENDS = ("fe80::21c:daff:fe00:2024", "ff02::1a")
DIS, CODE = bytes.fromhex("9b006bde00000000"), bytes.fromhex("049b006bde82")


def test_a_ghc_code_of_the_standard() -> None:
    assert write_ghc(DIS, *ENDS) == CODE
    expansion = read_ghc(CODE, *ENDS)
    assert isinstance(expansion, Expansion)
    assert (expansion.octets, expansion.consumed, expansion.stopped) == (DIS, 6, False)
    assert all(isinstance(step, CodeStep) for step in expansion.steps)
    assert [step.output for step in expansion.steps] == [DIS[:4], bytes(4)]
    assert write_ghc(DIS, *ENDS, stop=True) == CODE + b"\x90"  # section 3.2


@given(st.binary(max_size=60))
def test_ghc_codes_come_back_and_any_octets_are_a_code_or_a_fault(octets: bytes) -> None:
    assert read_ghc(write_ghc(octets, *ENDS), *ENDS).octets == octets
    fault = None
    try:
        read_ghc(octets, *ENDS)
    except WireError as error:
        fault = error
    assert fault is None or 0 <= fault.offset < len(octets)


@pytest.mark.parametrize("ends", [("fe80::1", "nowhere"), (1, 2), (b"", b"")])
def test_ghc_stands_between_addresses(ends: tuple[Any, Any]) -> None:
    for function in (read_ghc, write_ghc):
        with pytest.raises(RequestError):
            function(b"\0", *ends)
        with pytest.raises(RequestError):
            function("00", *ENDS)  # type: ignore[arg-type]


# --- SenML -----------------------------------------------------------------------------------------

# RFC 8428 section 5.1.2, shortened in values; its records resolved as in section 4.6
PACK = (
    b'[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1276020076,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},'
    b'{"n":"current","t":-5,"v":1.2}]'
)


def test_senml_packs_in_both_forms() -> None:
    import cbor2

    records = read_senml(PACK)
    assert records[1] == {"n": "current", "t": -5, "v": 1.2}
    assert write_senml(records) == PACK
    packed = write_senml(records, "cbor")
    # RFC 8428 table 4
    assert cbor2.loads(packed)[1] == {0: "current", 6: -5, 2: 1.2}
    assert read_senml(packed, "cbor") == records
    names = [(r["n"], r["u"], int(r["t"])) for r in resolve_senml(records)]
    assert names == [
        ("urn:dev:ow:10e2073a0108006:voltage", "V", 1276020076),
        ("urn:dev:ow:10e2073a0108006:current", "A", 1276020071),
    ]
    # section 4.6: a version other than 10 "MUST be present in all the resolved SenML Records", and 10 "MUST NOT"
    assert [one["bver"] for one in resolve_senml(records)] == [5, 5]
    assert resolve_senml([{"bver": 10, "n": "a", "v": 1}]) == ({"n": "a", "v": 1},)
    assert write_senml(resolve_senml(records))  # exact decimals are numbers as well


@pytest.mark.parametrize(
    ("octets", "form", "text", "offset"),
    [
        (b'[{"n":"a","v":}]', "json", "no JSON", 14),
        (b'[{"n":"a","v":1},{"n":5,"v":1}]', "json", "record 2", 0),
        (b'{"n":"a"}', "json", "array", 0),
        (b"\xff", "cbor", "no CBOR", 0),
        # RFC 8428 section 3: "One or more SenML Records in an array structure", as section 11 has it: [1* record]
        (b" [ ]", "json", "without a record", 0),
        (b"\x80", "cbor", "without a record", 0),
        (b"\x9f\xff", "cbor", "without a record", 0),
        # RFC 8428 section 5: "the URL-safe alphabet ... with padding omitted"
        (b'[{"n":"a","vd":"+/8"}]', "json", "record 1: field vd is no base64url", 0),
        (b'[{"n":"a","vd":"_w=="}]', "json", "record 1: field vd is no base64url", 0),
        (b'[{"n":"a","vd":"!!"}]', "json", "record 1: field vd is no base64url", 0),
        # RFC 8949: {0: "a", 2: 1}, with an octet behind it (appendix C: "no more data"), and with key 0 twice (5.6)
        (bytes.fromhex("81a20061610201 00"), "cbor", "no CBOR: 1 octet stands behind", 0),
        (bytes.fromhex("81a300616100616202 01"), "cbor", "no CBOR: .*[Dd]uplicate", 0),
        (bytes.fromhex("81a2006161"), "cbor", "no CBOR: .*end", 0),
    ],
)
def test_senml_faults_are_told(octets: bytes, form: Any, text: str, offset: int) -> None:
    with pytest.raises(Malformed, match=text) as caught:
        read_senml(octets, form)
    assert (caught.value.offset, caught.value.layer) == (offset, "SenML")


@pytest.mark.parametrize(
    ("record", "said"),
    [
        # RFC 8428 table 1: v a number, vb a boolean, vd a text in JSON, which is read as octets
        ({"vd": "AQI"}, "field vd is a text: octets should stand there"),
        ({"v": "1"}, "field v is a text: a number should stand there"),
        ({"vb": 1}, "field vb is a number: true or false should stand there"),
        ({"u": 1}, "field u is a number: a text should stand there"),
    ],
)
def test_a_field_of_the_wrong_type_tells_the_right_one(record: dict[str, Any], said: str) -> None:
    with pytest.raises(RequestError, match=f"record 1: {said}"):
        write_senml([{"n": "a", **record}])


@pytest.mark.parametrize("digits", [b"9" * 309, b"9" * 5000, b"-1" + b"0" * 5000, b"1e4999"])
def test_a_number_of_many_digits_is_json_and_no_double(digits: bytes) -> None:
    """RFC 8259 section 6 sets no limit to digits; a double ends below 1.8 * 10**308."""
    with pytest.raises(Malformed, match="record 1: no finite number that a double holds"):
        read_senml(b'[{"n":"a","v":%b}]' % digits)
    assert read_senml(b'[{"n":"a","v":%b}]' % (b"1" + b"0" * 300))[0]["v"] == 1e300


def test_what_is_no_whole_number_is_not_cut_to_one() -> None:
    """RFC 7252 section 3: type, code and message ID are unsigned integers."""
    right: dict[str, Any] = {"type": 0, "code": 1, "mid": 1}
    assert write_coap(CoapMessage(**right)) == bytes.fromhex("40010001")
    for name in right:
        for wrong in (1.0, 1.5, "1", [1]):
            with pytest.raises(RequestError, match=f"CoAP: {name} is a whole number, not"):
                write_coap(CoapMessage(**{**right, name: wrong}))
    port: Any
    for port in (1.0, "1", None):  # RFC 768: ports are numbers of 16 bits
        with pytest.raises(
            RequestError,
            match="UDP: source_port is a whole number, not",
        ):
            bytes(Udp(port, 2, 8, 0))
    for record in (DtlsRecord(23, 1.0, 2, b""), DtlsRecord(23, 1, 2.5, b"")):  # type: ignore[arg-type]
        with pytest.raises(RequestError, match="is a whole number, not float"):
            write_dtls(record)


@pytest.mark.parametrize("number", ["Uri-Path", "11", 2.5, None, True, b"a"])
def test_a_name_where_the_number_of_an_option_stands_is_told(number: Any) -> None:
    with pytest.raises(RequestError) as caught:
        CoapOption(number, b"a")
    assert caught.value.message == f"the number of an option is a whole number, not {number!r}"
    assert ("CoapOption.of(name, value)" in caught.value.hint) == isinstance(number, str)
    with pytest.raises(RequestError, match="option number 65536 is not 0 to 65535"):
        CoapOption(1 << 16)  # RFC 7252 section 12.2


def test_options_of_a_coap_message_are_asked_for_by_number_or_name() -> None:
    """RFC 7252 table 4: Uri-Path is 11; the message by hand, GET /a/b with message ID 1 (figure 7)."""
    message = read_coap(bytes.fromhex("40010001 b161 0162"))
    assert (
        message.first("Uri-Path")
        == message.first("uri-path")
        == message.first(11)
        == CoapOption(11, b"a")
    )
    assert (
        message.all("Uri-Path") == message.all(11) == (CoapOption(11, b"a"), CoapOption(11, b"b"))
    )
    assert message.first("Observe") is message.first(6) is None
    for ask in (message.first, message.all):
        with pytest.raises(RequestError, match="no option is named 'Uri-Pfad'") as caught:
            ask("Uri-Pfad")
        assert "Uri-Path" in caught.value.hint


def test_a_senml_version_is_a_positive_integer() -> None:
    """RFC 8428 section 4.1; which JSON numbers are integers is said in RFC 8610 appendix E: 10, 10.0, 1e1, 100e-1."""
    for text in (b"10", b"10.0", b"1e1", b"100e-1"):
        records = read_senml(b'[{"bver":%b,"n":"a","v":1}]' % text)
        assert resolve_senml(records) == ({"n": "a", "v": 1},)
        assert read_senml(write_senml(records, "cbor"), "cbor") == records
    for text, said in (
        (b"-3", "-3"),
        (b"0", "0"),
        (b"1.5", "1.5"),
        (b'"5"', "a text"),
        (b"true", "true or false"),
    ):
        with pytest.raises(
            Malformed, match=f"record 1: field bver is {said}: .*from 1 on"
        ) as caught:
            read_senml(b'[{"bver":%b,"n":"a","v":1}]' % text)
        assert str(caught.value.cite) == "RFC 8428 §4.1"
    with pytest.raises(
        Malformed, match="field bver is 0"
    ):  # section 6: in CBOR an unsigned integer; {-1: 0, 0: "a", 2: 1}
        read_senml(bytes.fromhex("81a3 2000 006161 0201"), "cbor")
    for version in (-3, 0, 1.0, True, 10**5000):
        with pytest.raises(RequestError, match=r"record 1: (field bver|no finite number)"):
            resolve_senml([{"bver": version, "n": "a", "v": 1}])
    with pytest.raises(Malformed, match="version 11"):  # section 4.4: "MUST NOT use this object"
        resolve_senml([{"bver": 11, "n": "a", "v": 1}])


@pytest.mark.parametrize(
    "records",
    [[{"name": "a"}], [{"n": "a", "v": "1"}], [{"n": "a", "vd": "text"}], ["n"], [{"v": 10**400}]],
)
def test_senml_records_that_cannot_be_written(records: Any) -> None:
    with pytest.raises(RequestError, match="record 1"):
        write_senml(records)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: coap_code(5),  # type: ignore[arg-type]
        lambda: coap_path(b"/a"),  # type: ignore[arg-type]
        lambda: dtls_suite(None),  # type: ignore[arg-type]
        lambda: open_dtls(b"", None, None),  # type: ignore[arg-type]
        lambda: protect_oscore_request(CLEAR, None, sequence=1),  # type: ignore[arg-type]
        lambda: open_oscore_response(PROTECTED_RESPONSE, SECRET, OscoreBinding(b"", b"")),  # type: ignore[arg-type]
        lambda: resolve_senml(5),  # type: ignore[arg-type]
        lambda: resolve_senml([{"n": 5}]),
        lambda: read_senml("[]"),  # type: ignore[arg-type]
        lambda: read_senml(b"[]", "xml"),  # type: ignore[arg-type]
        lambda: write_senml([{"n": "a", "v": 1}], "xml"),  # type: ignore[arg-type]
        lambda: write_senml([]),
        lambda: write_senml({}),
        lambda: write_senml(iter(()), "cbor"),
        lambda: write_dtls(b""),  # type: ignore[arg-type]
        lambda: write_dtls(DtlsRecord(21, 0, 1, "x")),  # type: ignore[arg-type]
        lambda: read_dtls_content("x", 21),  # type: ignore[arg-type]
        lambda: open_oscore_request("x", SERVER),  # type: ignore[arg-type]
        lambda: seal_dtls("x", RecordKeys(b"", b""), dtls_suite(CCM_8), epoch=1, sequence=1),  # type: ignore[arg-type]
        lambda: seal_dtls(b"", RecordKeys(b"", b""), dtls_suite(CCM_8), epoch=1, sequence=1),
    ],
)
def test_other_requests_that_cannot_be_met(wrong: Callable[[], Any]) -> None:
    with pytest.raises(RequestError):
        wrong()


@pytest.mark.parametrize("octets", [b"", b"\x60", b"\x45" + bytes(39)])
def test_what_is_no_datagram_is_refused_under_a_public_name(octets: bytes) -> None:
    """RFC 8200 section 3: a header of 40 octets, whose version is 6."""
    with pytest.raises(NoDatagram) as caught:
        lowpanbudget.compress(octets, lowpanbudget.Env("0017", "0001"))
    assert isinstance(caught.value, lowpanbudget.Malformed)
    assert isinstance(caught.value, lowpanbudget.RequestError)
    assert str(caught.value.cite) == "RFC 8200 §3"
