"""DTLS records: recorded sessions, figures of the headers, corners, sealing and opening, overhead, garbage."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vector_files import document

from lowpanbudget import errors
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.errors import RequestError, WireError
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.dtls import record as dtls
from lowpanbudget.layers.internet.dtls.content import (
    ALERT_NAMES,
    CONTENT_NAMES,
    HANDSHAKE_NAMES,
    Alert,
    ContentType,
    Handshake,
    decode_content,
)
from lowpanbudget.layers.internet.dtls.record import DtlsRecord, Unified
from lowpanbudget.layers.internet.dtls.suites import SUITES

VECTORS = Path(__file__).parents[3] / "vectors"
SESSIONS = document(VECTORS / "rfc6347" / "sessions.toml")
CASES = [
    case
    for name in ("rfc6347", "rfc9147")
    for case in document(VECTORS / name / "section-4.toml")["case"]
]


def params(cases: list[dict[str, Any]]) -> list[Any]:
    return [pytest.param(case, id=case["id"]) for case in cases]


def datagram(octets: bytes, *, cid_length: int | None = None) -> tuple[DtlsRecord | Unified, ...]:
    """Return the records; spans tile the datagram, and encoding gives the same octets and spans."""
    reader = Reader(octets)
    records = dtls.decode_datagram(reader, cid_length=cid_length)
    assert tiles(reader.spans, len(octets) * 8)
    writer = Writer()
    for record in records:
        dtls.encode(writer, record)
    assert bytes(writer.data) == octets
    assert writer.spans == reader.spans
    return records


def attempt(octets: bytes, **known: Any) -> tuple[DtlsRecord | Unified, ...] | WireError:
    """Return what decoding ends in, spans tiled if it succeeds; any other exception fails the test."""
    reader = Reader(octets)
    try:
        records = dtls.decode_datagram(reader, **known)
    except WireError as error:
        return error
    assert tiles(reader.spans, len(octets) * 8)
    return records


# --- headers ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", params([case for case in CASES if case["result"] == "valid"]))
def test_record(case: dict[str, Any]) -> None:
    wire = bytes.fromhex(case["wire"])
    (record,) = datagram(wire, cid_length=case.get("cid_length"))
    fragment, cid = bytes.fromhex(case["fragment"]), bytes.fromhex(case.get("cid", ""))
    if "content_type" in case:
        version = int.from_bytes(wire[1:3], "big")
        assert record == DtlsRecord(
            case["content_type"], case["epoch"], case["sequence"], fragment, version, cid
        )
        assert len(wire) - len(fragment) == 13 + len(cid)  # RFC 7925 appendix B: "13 bytes"
    else:
        assert record == Unified(
            case["epoch"],
            case["sequence"],
            fragment,
            cid,
            case.get("sequence_octets", 1),
            case.get("has_length", False),
        )
        assert len(wire) - len(fragment) == case["header"]


@pytest.mark.parametrize("case", params([case for case in CASES if case["result"] == "invalid"]))
def test_wrong_record(case: dict[str, Any]) -> None:
    suite = SUITES[case["suite"]] if "suite" in case else None
    wire = b"\xaa" * 5 + bytes.fromhex(case["wire"])
    with pytest.raises(WireError) as caught:
        dtls.decode(Reader(wire, 5), cid_length=case.get("cid_length"), suite=suite)
    assert type(caught.value) is getattr(errors, case["error"])
    assert (caught.value.offset, caught.value.layer) == (case["offset"] + 5, "DTLS")
    assert caught.value.cite is not None


@pytest.mark.parametrize("first", range(256))
def test_first_octet(first: int) -> None:
    """RFC 9147 figure 5, typed: 20 to 26 have the old header, 32 to 63 the unified one, the rest is rejected."""
    if 20 <= first <= 26:
        cid = b"\x42" if first == 25 else b""
        reader = Reader(bytes([first]) + b"\xfe\xfd\0\1" + bytes(6) + cid + b"\0\x10" + bytes(16))
        assert isinstance(dtls.decode(reader, cid_length=len(cid)), DtlsRecord)
        assert reader.spans[0].meaning == CONTENT_NAMES[first]
    elif 32 <= first <= 63:
        cid, length = b"\x42" * (first >> 4 & 1), b"\0\x10" * (first >> 2 & 1)
        number = bytes(1 + (first >> 3 & 1))
        reader = Reader(bytes([first]) + cid + number + length + bytes(16))
        assert isinstance(dtls.decode(reader, cid_length=1), Unified)
        assert reader.left == 0
    else:
        with pytest.raises(errors.Reserved):
            dtls.decode(Reader(bytes([first]) + bytes(40)))


def test_suite_splits_a_protected_fragment() -> None:
    """RFC 7925 appendix B: explicit nonce 8, ICV 8."""
    wire = bytes.fromhex(SESSIONS["session"][0]["client_data"])
    reader = Reader(wire)
    dtls.decode(reader, suite=SUITES["TLS_PSK_WITH_AES_128_CCM_8"])
    assert tiles(reader.spans, len(wire) * 8)
    assert [(span.name, span.bits // 8) for span in reader.spans[-3:]] == [
        ("explicit nonce", 8),
        ("ciphertext", 6),
        ("tag", 8),
    ]


def test_a_record_says_its_version_and_what_would_shorten_it() -> None:
    """RFC 6347 section 4.1: 1.2 is { 254, 253 }, 1.0 { 254, 255 }; RFC 9147 section 4: 16 bits if S is 1, else 8."""
    for version, says in (("feff", "DTLS 1.0"), ("fefd", "DTLS 1.2"), ("fefe", "another version")):
        reader = Reader(bytes.fromhex(f"17 {version} 0001 000000000005 0010") + bytes(16))
        dtls.decode(reader)
        assert says in [span.meaning for span in reader.spans]
    for octets in (1, 2):
        writer = Writer()
        dtls.encode(writer, Unified(1, 5, bytes(16), sequence_octets=octets))
        reader = Reader(bytes(writer.data))
        dtls.decode(reader)
        assert writer.spans == reader.spans
        (number,) = [span for span in writer.spans if span.name == "sequence number"]
        assert bool(number.removed_by) is (octets == 2)


def test_what_a_header_cannot_say() -> None:
    for record in (
        DtlsRecord(23, 1, 0, b"", cid=b"a"),
        DtlsRecord(25, 1, 0, b""),
        DtlsRecord(25, 1, 0, b"", cid=bytes(256)),
        DtlsRecord(19, 1, 0, b""),
        DtlsRecord(23, 1 << 16, 0, b""),
        DtlsRecord(23, 1, 1 << 48, b""),
        DtlsRecord(22, 0, 0, bytes(3)),
        DtlsRecord(23, 0, 0, bytes((1 << 14) + 1)),
        DtlsRecord(23, 1, 0, bytes((1 << 14) + 2049)),
        Unified(0, 0, bytes(15)),
        Unified(4, 0, bytes(16)),
        Unified(0, 256, bytes(16)),
        Unified(0, 1 << 16, bytes(16), sequence_octets=2),
        Unified(0, 0, bytes(16), cid=bytes(256)),
    ):
        with pytest.raises(RequestError):
            dtls.encode(Writer(), record)


# --- handshake and alerts --------------------------------------------------------------------------


def test_recorded_handshake() -> None:
    """A whole handshake of another implementation, several records in a datagram among it."""
    session = SESSIONS["handshake"][0]
    names = []
    for text in session["datagrams"]:
        for record in datagram(bytes.fromhex(text)):
            assert isinstance(record, DtlsRecord)
            if record.content_type == ContentType.HANDSHAKE and not record.sealed:
                for message in decode_content(Reader(record.fragment), record.content_type):
                    assert isinstance(message, Handshake)
                    assert (message.offset, message.length) == (0, len(message.body))
                    names.append(HANDSHAKE_NAMES[message.type])
    assert names == session["messages"]


@pytest.mark.parametrize("text", SESSIONS["handshake"][0]["datagrams"])
def test_recorded_handshake_cut_at_every_octet(text: str) -> None:
    octets = bytes.fromhex(text)
    whole = datagram(octets)
    for end in range(len(octets)):
        found = attempt(octets[:end])
        if isinstance(found, WireError):
            assert found.offset <= end
        else:
            assert found == whole[: len(found)]


def test_names_as_another_library_has_them() -> None:
    """scapy's TLS tables, which lack what only DTLS 1.3 and connection IDs added."""
    from scapy.layers.tls.basefields import _tls_type
    from scapy.layers.tls.handshake import _tls_handshake_type
    from scapy.layers.tls.record import _tls_alert_description

    def plain(text: str) -> str:
        return text.removesuffix("_RESERVED").replace("_", "").replace(" ", "").lower()

    for ours, theirs, missing, otherwise in (
        (ALERT_NAMES, _tls_alert_description, set(), set()),
        (HANDSHAKE_NAMES, _tls_handshake_type, {5, 9, 10, 254}, {4}),  # 4: its name without "new"
        (CONTENT_NAMES, _tls_type, {24, 25, 26}, set()),
    ):
        assert set(ours) - set(theirs) == missing
        assert {n for n in ours if n in theirs and plain(ours[n]) != plain(theirs[n])} == otherwise


def test_alerts_and_handshake_messages() -> None:
    reader = Reader(bytes([2, 20]))
    assert decode_content(reader, ContentType.ALERT) == (Alert(2, 20),)
    assert [span.meaning for span in reader.spans] == ["fatal", "bad record MAC"]
    # RFC 6347 section 4.2.3: a message in two fragments keeps its length and sequence
    parts = (Handshake(11, 300, 7, 0, bytes(200)), Handshake(11, 300, 7, 200, bytes(100)))
    octets = bytes.fromhex("0b 00012c 0007 000000 0000c8") + bytes(200)
    octets += bytes.fromhex("0b 00012c 0007 0000c8 000064") + bytes(100)
    reader = Reader(octets)
    assert decode_content(reader, ContentType.HANDSHAKE) == parts
    assert tiles(reader.spans, len(octets) * 8)


# --- suites ----------------------------------------------------------------------------------------


def test_suites_as_another_library_has_them() -> None:
    """scapy's list of registered suites: every code under its name."""
    from scapy.layers.tls.crypto.suites import _tls_cipher_suites

    missing = {name for name, suite in SUITES.items() if suite.code not in _tls_cipher_suites}
    assert missing == {f"TLS_ECDHE_PSK_WITH_AES_128_CCM{end}_SHA256" for end in ("", "_8")}
    for name, suite in SUITES.items():
        assert suite.name == name
        if name not in missing:
            assert _tls_cipher_suites[suite.code] == name


@pytest.mark.parametrize("suite", SUITES.values(), ids=SUITES)
def test_sizes_follow_the_name(suite: Any) -> None:
    """RFC 6655 section 3: "those that end in "_8" have an 8-octet authentication tag", the others 16."""
    ends_in_8 = suite.name.removesuffix("_SHA256").endswith("_8")
    assert suite.aead.tag == (8 if ends_in_8 else 16)
    assert suite.salt + suite.explicit == suite.aead.nonce == 12
    in_line = suite.version == "1.2" and "CHACHA20" not in suite.name
    assert suite.explicit == (8 if in_line else 0)
    assert suite.aead.key == (32 if "256_" in suite.name or "CHACHA20" in suite.name else 16)


# --- garbage ---------------------------------------------------------------------------------------

PREFIXES = (
    b"",
    b"\x16\xfe\xfd\0\0",
    b"\x17\xfe\xfd\0\1",
    b"\x19\xfe\xfd\0\1",
    b"\x15\xfe\xfd\0\0",
    b"\x2c",
    b"\x3f",
)


@settings(max_examples=200)
@given(st.binary(max_size=80), st.sampled_from([None, *SUITES]), st.none() | st.integers(1, 4))
def test_garbage_is_records_or_a_located_error(
    octets: bytes, suite: str | None, cid_length: int | None
) -> None:
    for prefix in PREFIXES:
        wire = prefix + octets
        found = attempt(wire, cid_length=cid_length, suite=SUITES[suite] if suite else None)
        if isinstance(found, WireError):
            assert 0 <= found.offset <= len(wire)
            assert found.layer == "DTLS"
            assert found.cite


records = st.builds(
    DtlsRecord,
    st.sampled_from([20, 23, 24, 26]),
    st.integers(0, 0xFFFF),
    st.integers(0, 2**48 - 1),
    st.binary(max_size=50),
    st.sampled_from([dtls.DTLS_1_0, dtls.DTLS_1_2]),
)
with_cid = st.builds(
    DtlsRecord,
    st.just(25),
    st.integers(0, 0xFFFF),
    st.integers(0, 2**48 - 1),
    st.binary(max_size=50),
    st.just(dtls.DTLS_1_2),
    st.binary(min_size=3, max_size=3),
)
unified = st.builds(
    Unified,
    st.integers(0, 3),
    st.integers(0, 255),
    st.binary(min_size=16, max_size=50),
    st.just(b"") | st.binary(min_size=3, max_size=3),
    st.sampled_from([1, 2]),
    st.just(True),
)


@settings(max_examples=100)
@given(st.lists(records | with_cid | unified, max_size=4))
def test_what_is_encoded_is_decoded(sent: list[DtlsRecord | Unified]) -> None:
    writer = Writer()
    for record in sent:
        dtls.encode(writer, record)
    assert list(datagram(bytes(writer.data), cid_length=3)) == sent


def test_record_without_length_ends_its_datagram() -> None:
    """RFC 9147 section 4: "Omitting the length field MUST only be used for the last record in a datagram"."""
    writer = Writer()
    first, last = Unified(1, 1, bytes(16), has_length=True), Unified(1, 2, bytes(40))
    for record in (first, last):
        dtls.encode(writer, record)
    assert datagram(bytes(writer.data)) == (first, last)


def test_many_records_take_time_in_proportion() -> None:
    """5,000 empty records, the worst that 65,000 octets can hold."""
    wire = bytes.fromhex("17fefd00010000000000050000") * 5000
    assert len(dtls.decode_datagram(Reader(wire))) == 5000


def test_coap_is_told_apart() -> None:
    """A CoAP message begins with version 1, 0x40 to 0x7f: never a DTLS record."""
    message = coap.CoapMessage(0, 1, 0)
    with pytest.raises(errors.Reserved):
        dtls.decode(Reader(bytes(message)))
