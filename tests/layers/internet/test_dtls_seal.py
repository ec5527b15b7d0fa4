"""DTLS protection: recorded sessions opened, records built by hand next to ours, overhead of the comparison draft."""

from collections.abc import Callable
from ipaddress import IPv6Address
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from cryptography.hazmat.primitives.ciphers.aead import AESCCM, AESGCM, ChaCha20Poly1305
from hypothesis import given, settings
from hypothesis import strategies as st
from vector_files import document

from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.errors import BadMic, Malformed, RequestError, Truncated, WireError
from lowpanbudget.hidden import HiddenOctets
from lowpanbudget.layers.internet.aead import Nonces
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.dtls import record as dtls
from lowpanbudget.layers.internet.dtls.content import ContentType, decode_content
from lowpanbudget.layers.internet.dtls.protect import open_dtls, seal_dtls
from lowpanbudget.layers.internet.dtls.record import DtlsRecord, Unified, write_dtls
from lowpanbudget.layers.internet.dtls.seal import (
    OpenedRecord,
    open_1_2,
    open_1_3,
    plaintext_of,
    seal_1_2,
    seal_1_3,
)
from lowpanbudget.layers.internet.dtls.sender import DtlsSender
from lowpanbudget.layers.internet.dtls.suites import SUITES, DtlsSuite, RecordKeys

VECTORS = Path(__file__).parents[3] / "vectors"
SESSIONS = document(VECTORS / "rfc6347" / "sessions.toml")["session"]
CCM_8 = SUITES["TLS_PSK_WITH_AES_128_CCM_8"]
CCM_8_1_3 = SUITES["TLS_AES_128_CCM_8_SHA256"]
OLD = [suite for suite in SUITES.values() if suite.version == "1.2"]
NEW = [suite for suite in SUITES.values() if suite.version == "1.3"]


def keys_for(suite: DtlsSuite) -> RecordKeys:
    """Return keys that are not all alike, of the suite's lengths."""
    return RecordKeys(
        bytes(range(suite.aead.key)),
        bytes(range(100, 100 + suite.salt)),
        bytes(range(200, 200 + suite.aead.key)) if suite.version == "1.3" else b"",
    )


def record_1_2(wire: bytes, *, cid_length: int | None = None) -> DtlsRecord:
    record = dtls.decode(Reader(wire), cid_length=cid_length)
    assert isinstance(record, DtlsRecord)
    return record


def record_1_3(wire: bytes, *, cid_length: int | None = None) -> Unified:
    record = dtls.decode(Reader(wire), cid_length=cid_length)
    assert isinstance(record, Unified)
    return record


# --- another implementation's sessions -------------------------------------------------------------


def session_keys(session: dict[str, Any], side: str) -> RecordKeys:
    return RecordKeys(*(bytes.fromhex(session[f"{side}_{part}"]) for part in ("key", "iv")))


@pytest.mark.parametrize("session", SESSIONS, ids=[session["suite"] for session in SESSIONS])
@pytest.mark.parametrize(("side", "text"), [("client", "sent"), ("server", "received")])
def test_recorded_session_opens(session: dict[str, Any], side: str, text: str) -> None:
    suite, keys = SUITES[session["suite"]], session_keys(session, side)
    data = record_1_2(bytes.fromhex(session[f"{side}_data"]))
    assert open_1_2(data, keys, suite) == OpenedRecord(
        ContentType.APPLICATION, session[text].encode(), data.sequence
    )
    finished = open_1_2(record_1_2(bytes.fromhex(session[f"{side}_finished"])), keys, suite)
    (message,) = decode_content(Reader(finished.content), finished.content_type)
    # RFC 5246 section 7.4.9, from memory: type 20, twelve octets of verify data
    assert message.type == 20  # type: ignore[union-attr]
    assert len(message.body) == 12  # type: ignore[union-attr]
    other = "server" if side == "client" else "client"
    with pytest.raises(BadMic):
        open_1_2(data, session_keys(session, other), suite)


@pytest.mark.parametrize("session", SESSIONS, ids=[session["suite"] for session in SESSIONS])
@pytest.mark.parametrize(("side", "text"), [("client", "sent"), ("server", "received")])
def test_sealing_gives_the_recorded_octets(session: dict[str, Any], side: str, text: str) -> None:
    """Where the explicit nonce is the sequence number, as ours is; the recorded GCM ones begin elsewhere."""
    suite, wire = SUITES[session["suite"]], bytes.fromhex(session[f"{side}_data"])
    recorded = record_1_2(wire)
    writer = Writer()
    seal_1_2(
        writer, session[text].encode(), session_keys(session, side), suite,
        epoch=recorded.epoch, sequence=recorded.sequence,
    )  # fmt: skip
    assert tiles(writer.spans, len(writer.data) * 8)
    assert len(writer.data) == len(wire)
    if recorded.fragment[: suite.explicit] in (wire[3:11], b""):
        assert bytes(writer.data) == wire
    else:
        assert suite.aead.family == "GCM"
        assert bytes(writer.data)[:13] == wire[:13]


# --- records put together by hand beside ours ------------------------------------------------------


def cipher(suite: DtlsSuite, key: bytes) -> Any:
    if "CCM" in suite.name:
        return AESCCM(key, tag_length=8 if "CCM_8" in suite.name else 16)
    return AESGCM(key) if "GCM" in suite.name else ChaCha20Poly1305(key)


@pytest.mark.parametrize("suite", OLD, ids=[suite.name for suite in OLD])
def test_connection_id_record_by_hand(suite: DtlsSuite) -> None:
    """RFC 9146 sections 4 and 5.3, written out: outer type 25, real type and a zero inside."""
    keys = keys_for(suite)
    writer = Writer()
    seal_1_2(writer, b"22.3 C", keys, suite, epoch=1, sequence=5, cid=b"\x40\x02", padding=1)
    number = bytes.fromhex("0001 000000000005")
    inner = b"22.3 C" + bytes([23]) + b"\0"
    additional = b"\xff" * 8 + bytes([25, 2, 25]) + b"\xfe\xfd" + number + b"\x40\x02" + b"\0\x08"
    if suite.explicit:
        nonce, explicit = keys.iv + number, number
    else:
        padded = bytes(4) + number
        nonce, explicit = bytes(a ^ b for a, b in zip(keys.iv, padded, strict=True)), b""
    sealed = explicit + cipher(suite, keys.key).encrypt(nonce, inner, additional)
    wire = (
        bytes([25]) + b"\xfe\xfd" + number + b"\x40\x02" + len(sealed).to_bytes(2, "big") + sealed
    )
    assert bytes(writer.data) == wire
    assert tiles(writer.spans, len(wire) * 8)
    found = open_1_2(record_1_2(wire, cid_length=2), keys, suite)
    assert found == OpenedRecord(23, b"22.3 C", 5)


@pytest.mark.parametrize("suite", NEW, ids=[suite.name for suite in NEW])
@pytest.mark.parametrize("full", [False, True])
def test_unified_record_by_hand(suite: DtlsSuite, full: bool) -> None:
    """RFC 9147 sections 4 and 4.2.3, written out; the header before number encryption is what the tag covers."""
    keys = keys_for(suite)
    tag = 8 if "CCM_8" in suite.name else 16
    inner = b"22.35 C" + bytes([23])
    nonce = bytes(
        a ^ b for a, b in zip(keys.iv, bytes(4) + bytes.fromhex("0000000000100005"), strict=True)
    )
    writer = Writer()
    if full:
        seal_1_3(
            writer, b"22.35 C", keys, suite, epoch=6, sequence=0x100005, cid=b"\x40\x02",
            sequence_octets=2, has_length=True,
        )  # fmt: skip
        head = bytes([0b00111110]) + b"\x40\x02" + b"\0\x05" + (8 + tag).to_bytes(2, "big")
        at, octets = 3, 2
    else:
        seal_1_3(writer, b"22.35 C", keys, suite, epoch=6, sequence=0x100005)
        head, at, octets = bytes([0b00100010, 0x05]), 1, 1
    sealed = cipher(suite, keys.key).encrypt(nonce, inner, head)
    if "CHACHA20" in suite.name:
        mask = (
            Cipher(algorithms.ChaCha20(keys.sequence_key, sealed[:16]), None)
            .encryptor()
            .update(bytes(5))
        )
    else:
        mask = (
            Cipher(algorithms.AES(keys.sequence_key), modes.ECB()).encryptor().update(sealed[:16])
        )
    hidden = bytes(a ^ b for a, b in zip(head[at : at + octets], mask, strict=False))
    wire = head[:at] + hidden + head[at + octets :] + sealed
    assert bytes(writer.data) == wire
    assert tiles(writer.spans, len(wire) * 8)
    record = record_1_3(wire, cid_length=2)
    assert open_1_3(record, keys, suite, next_sequence=0x100005) == OpenedRecord(
        23, b"22.35 C", 0x100005
    )


@pytest.mark.parametrize(
    ("suite", "sequence_key", "sample", "mask"),
    [
        # RFC 9001 appendices A.2 and A.5, from memory: QUIC hides packet numbers in the very same way
        (
            "TLS_AES_128_GCM_SHA256",
            "9f50449e04a0e810283a1e9933adedd2",
            "d1b1c98dd7689fb8ec11d242b123dc9b",
            "437b",
        ),
        (
            "TLS_CHACHA20_POLY1305_SHA256",
            "25a282b9e82f06f21f488917a4fc8f1b73573685608597d0efcb076b0ab7a7a4",
            "5e5cd55c41f69080575d7999c25a5bfb",
            "aefe",
        ),
    ],
)
def test_mask_of_the_sequence_number(suite: str, sequence_key: str, sample: str, mask: str) -> None:
    from lowpanbudget.layers.internet.dtls.seal import _mask

    row = SUITES[suite]
    keys = RecordKeys(bytes(row.aead.key), bytes(12), bytes.fromhex(sequence_key))
    assert _mask(row, keys, bytes.fromhex(sample), 2).to_bytes(2, "big").hex() == mask


# --- overhead --------------------------------------------------------------------------------------


def overhead(suite: DtlsSuite, sequence: int, cid: bytes, content: bytes = b"22.3 C") -> int:
    """Return what a record adds to its content: protected less unprotected length."""
    writer = Writer()
    keys = RecordKeys.stand_in(suite)
    if suite.version == "1.2":
        seal_1_2(writer, content, keys, suite, epoch=1, sequence=sequence, cid=cid)
    else:
        seal_1_3(writer, content, keys, suite, epoch=3, sequence=sequence, cid=cid)
    assert tiles(writer.spans, len(writer.data) * 8)
    return len(writer.data) - len(content)


# draft-ietf-iotops-security-protocol-comparison (2025-01), table of overhead in octets, plaintext of 6, tag of 8
DRAFT = [
    (0x05, "", 29, 11),
    (0x1005, "", 29, 11),
    (0x100005, "", 29, 11),
    (0x05, "42", 30, 12),
    (0x05, "4002", 31, 13),
]


@pytest.mark.parametrize(("sequence", "cid", "old", "new"), DRAFT)
def test_overhead_of_the_comparison_draft(sequence: int, cid: str, old: int, new: int) -> None:
    """The table is met but for two things that it leaves out and its standards demand.

    With a connection ID the real content type goes inside (RFC 9146 section 4): one octet more in DTLS 1.2. A
    ciphertext of DTLS 1.3 has at least 16 octets (RFC 9147 section 4.2.3), and 6 + 1 + 8 are 15: one octet of padding.
    """
    identifier = bytes.fromhex(cid)
    assert overhead(CCM_8, sequence, identifier) == old + bool(cid)
    assert overhead(CCM_8_1_3, sequence, identifier) == new + 1
    # from 7 octets on nothing is padded, and the table's figures come out as they stand
    assert overhead(CCM_8_1_3, sequence, identifier, b"22.35 C") == new
    # "16-octet tag: +8" in the same draft; with it nothing is padded
    assert overhead(SUITES["TLS_PSK_WITH_AES_128_CCM"], sequence, identifier) == old + 8 + bool(cid)
    assert overhead(SUITES["TLS_AES_128_CCM_SHA256"], sequence, identifier) == new + 8


def test_overhead_in_rfc_7925() -> None:
    """RFC 7925 figure 15: header 13, explicit nonce 8, ICV 8: 29 octets."""
    writer = Writer()
    seal_1_2(writer, bytes(50), RecordKeys.stand_in(CCM_8), CCM_8, epoch=1, sequence=0)
    sizes: dict[str, int] = {}
    for span in writer.spans:
        part = "header" if span.offset_bits < 13 * 8 else span.name
        sizes[part] = sizes.get(part, 0) + span.bits // 8
    assert sizes == {"header": 13, "explicit nonce": 8, "content": 50, "tag": 8}


def test_chacha_saves_the_explicit_nonce() -> None:
    """RFC 7905, from memory: no explicit nonce, tag of 16: as many octets as CCM_8."""
    assert overhead(SUITES["TLS_PSK_WITH_CHACHA20_POLY1305_SHA256"], 5, b"") == 13 + 16


# --- what goes in comes out ------------------------------------------------------------------------


@settings(max_examples=80)
@given(
    st.sampled_from(OLD),
    st.binary(max_size=40),
    st.integers(1, 0xFFFF),
    st.integers(0, 2**48 - 1),
    st.just(b"") | st.binary(min_size=3, max_size=3),
    st.sampled_from([21, 22, 23, 24]),
    st.integers(0, 5),
)
def test_sealed_1_2_opens(
    suite: DtlsSuite, content: bytes, epoch: int, sequence: int, cid: bytes, kind: int, padding: int
) -> None:
    writer, keys = Writer(), keys_for(suite)
    record = seal_1_2(
        writer, content, keys, suite, epoch=epoch, sequence=sequence, content_type=kind, cid=cid,
        padding=padding if cid else 0,
    )  # fmt: skip
    wire = bytes(writer.data)
    assert tiles(writer.spans, len(wire) * 8)
    assert record_1_2(wire, cid_length=3) == record
    assert open_1_2(record, keys, suite) == OpenedRecord(kind, content, sequence)
    bare = Writer()
    dtls.encode(bare, record)
    assert bytes(bare.data) == wire


@settings(max_examples=80)
@given(
    st.sampled_from(NEW),
    st.binary(max_size=40),
    st.integers(1, 1 << 20),
    st.integers(0, 2**48 - 1),
    st.integers(-60, 120),
    st.just(b"") | st.binary(min_size=3, max_size=3),
    st.sampled_from([1, 2]),
    st.booleans(),
    st.integers(0, 5),
)
def test_sealed_1_3_opens(
    suite: DtlsSuite,
    content: bytes,
    epoch: int,
    sequence: int,
    ahead: int,
    cid: bytes,
    octets: int,
    has_length: bool,
    padding: int,
) -> None:
    """Also when the receiver has seen numbers a little before or after: the closest one is meant."""
    writer, keys = Writer(), keys_for(suite)
    record = seal_1_3(
        writer, content, keys, suite, epoch=epoch, sequence=sequence, cid=cid,
        sequence_octets=octets, has_length=has_length, padding=padding,
    )  # fmt: skip
    wire = bytes(writer.data)
    assert tiles(writer.spans, len(wire) * 8)
    assert record_1_3(wire, cid_length=3) == record
    expected = max(0, sequence + ahead)
    assert open_1_3(record, keys, suite, next_sequence=expected) == OpenedRecord(
        23, content, sequence
    )


def test_spans_of_the_content_name_the_ciphertext() -> None:
    """A CoAP message inside keeps its spans, shifted behind header and explicit nonce, and ahead of the tag."""
    message = coap.CoapMessage(0, 1, 0x7D34, options=coap.coap_path("/temperature"))
    inner = Writer()
    coap.encode(inner, message)
    for sealed, ahead in ((seal_1_2, 13 + 8), (seal_1_3, 2)):
        suite = CCM_8 if sealed is seal_1_2 else CCM_8_1_3
        writer = Writer()
        sealed(writer, inner, keys_for(suite), suite, epoch=1, sequence=5)
        assert tiles(writer.spans, len(writer.data) * 8)
        assert [span for span in writer.spans if span.layer == "CoAP"] == [
            span._replace(offset_bits=span.offset_bits + ahead * 8) for span in inner.spans
        ]
        assert writer.spans[-1].name == "tag"
        assert writer.spans[-1].removed_by == ""


@pytest.mark.parametrize(
    ("suite", "cid", "content", "padding", "behind"),
    [
        # RFC 5246 section 6.2.3, from memory: what is encrypted is the content and nothing else
        (CCM_8, b"", b"22.3 C", 0, b""),
        (CCM_8, b"", b"", 0, b""),
        # RFC 9146 section 4: content, the real type (application data is 23), zeros
        (CCM_8, b"\x40\x02", b"22.3 C", 0, b"\x17"),
        (CCM_8, b"\x40\x02", b"", 3, b"\x17\0\0\0"),
        # RFC 9147 section 4: the same; of 6 + 1 + 8 octets section 4.2.3 makes 16
        (CCM_8_1_3, b"", b"22.35 C", 0, b"\x17"),
        (CCM_8_1_3, b"", b"22.3 C", 0, b"\x17\0"),
        (CCM_8_1_3, b"\x40\x02", b"22.35 C", 4, b"\x17\0\0\0\0"),
    ],
)
def test_plaintext_of_an_opened_record_has_the_spans_it_was_sealed_from(
    suite: DtlsSuite, cid: bytes, content: bytes, padding: int, behind: bytes
) -> None:
    inner, writer = Writer("payload"), Writer()
    inner.octets(content, "payload", "text")
    sealed = seal_1_2 if suite is CCM_8 else seal_1_3
    record = sealed(
        writer, inner, keys_for(suite), suite, epoch=1, sequence=5, cid=cid, padding=padding
    )
    opened = open_dtls(record, keys_for(suite), suite, next_sequence=5)
    length = len(record.fragment) - suite.explicit - 8  # behind an explicit nonce, before the tag
    plain = plaintext_of(record, opened, inner, length)
    assert bytes(plain.data) == content + behind
    start = (len(writer.data) - 8 - length) * 8
    assert [
        span._replace(offset_bits=span.offset_bits + start) for span in plain.spans
    ] == writer.spans[-1 - len(plain.spans) : -1]


def test_sealing_behind_other_octets() -> None:
    writer = Writer("UDP")
    writer.octets(bytes(8), "header")
    seal_1_2(writer, b"a", keys_for(CCM_8), CCM_8, epoch=1, sequence=0)
    seal_1_3(writer, b"a", keys_for(CCM_8_1_3), CCM_8_1_3, epoch=1, sequence=0)
    assert tiles(writer.spans, len(writer.data) * 8)


# --- what does not ---------------------------------------------------------------------------------


def test_every_octet_of_a_record_counts() -> None:
    """All of a record but the explicit nonce's redundancy is covered: any bit flipped does not open."""
    for sealed, suite in ((seal_1_2, CCM_8), (seal_1_3, CCM_8_1_3)):
        writer, keys = Writer(), keys_for(suite)
        sealed(writer, b"22.35 C", keys, suite, epoch=1, sequence=5, cid=b"\x40\x02")
        wire = bytes(writer.data)
        for place in range(len(wire)):
            hurt = bytearray(wire)
            hurt[place] ^= 1
            with pytest.raises(WireError) as caught:
                read_and_open(bytes(hurt), keys, suite)
            assert caught.value.layer == "DTLS"
            assert caught.value.offset <= len(wire)


def read_and_open(wire: bytes, keys: RecordKeys, suite: DtlsSuite) -> OpenedRecord:
    record = dtls.decode(Reader(wire), cid_length=2)
    if isinstance(record, DtlsRecord):
        return open_1_2(record, keys, suite)
    return open_1_3(record, keys, suite, next_sequence=5)


@pytest.mark.parametrize(
    ("suite", "cid", "at"),
    [
        (CCM_8, b"", 13 + 8),  # RFC 7925 appendix B: header 13, explicit nonce 8
        (CCM_8, b"\x40\x02", 15 + 8),
        (SUITES["TLS_PSK_WITH_CHACHA20_POLY1305_SHA256"], b"", 13),
        (CCM_8_1_3, b"", 2),  # RFC 9147 figure 4: flags and one octet of number
        (CCM_8_1_3, b"\x40\x02", 4),
    ],
)
def test_a_wrong_tag_is_told_where_the_ciphertext_begins(
    suite: DtlsSuite, cid: bytes, at: int
) -> None:
    record = seal_dtls(b"22.35 C", keys_for(suite), suite, epoch=1, sequence=5, cid=cid)
    other = RecordKeys(bytes(suite.aead.key), keys_for(suite).iv, keys_for(suite).sequence_key)
    with pytest.raises(BadMic) as caught:
        open_dtls(record, other, suite, next_sequence=5)
    assert (caught.value.offset, caught.value.layer) == (at, "DTLS")


@pytest.mark.parametrize(
    ("suite", "epoch", "fits"),
    [
        (CCM_8, None, {"1.2": {0, 1, 5}}),
        (CCM_8, 1, {"1.2": {1}}),
        (CCM_8, 0, {"1.2": {0}}),
        # RFC 9147 section 4: "the two low bits of the epoch"
        (CCM_8_1_3, None, {"1.3": {0, 1, 2, 3}}),
        (CCM_8_1_3, 3, {"1.3": {3}}),
        (CCM_8_1_3, 5, {"1.3": {1}}),
        (CCM_8_1_3, 8, {"1.3": {0}}),
    ],
)
def test_which_records_a_sender_may_have_sent(
    suite: DtlsSuite, epoch: int | None, fits: dict[str, set[int]]
) -> None:
    sender = DtlsSender(suite, keys_for(suite), epoch=epoch)
    assert {n for n in (0, 1, 5) if sender.fits(DtlsRecord(23, n, 0, b""))} == fits.get(
        "1.2", set()
    )
    assert {n for n in range(4) if sender.fits(Unified(n, 0, bytes(16)))} == fits.get("1.3", set())


def test_a_sender_is_known_by_address_port_and_connection_id() -> None:
    a, b = IPv6Address("2001:db8::a"), IPv6Address("2001:db8::b")
    keys = keys_for(CCM_8)
    assert DtlsSender(CCM_8, keys).sends_from(a, None)
    some = DtlsSender(CCM_8, keys, source=a, port=5684)
    assert [some.sends_from(*one) for one in ((a, 5684), (b, 5684), (a, 5683))] == [
        True,
        False,
        False,
    ]
    named = DtlsSender(CCM_8, keys, cid=b"\x42")
    assert named.cid_length == 1
    assert named.fits(DtlsRecord(25, 1, 0, b"", cid=b"\x42"))
    assert named.fits(DtlsRecord(25, 1, 0, b"", cid=b"\x43")) is False
    assert named.fits(DtlsRecord(23, 1, 0, b"")) is False
    # keys are never shown, and the connection ID, which goes in the clear, always is
    shown = DtlsSender(CCM_8, keys, cid=HiddenOctets(b"\x42"))
    assert (shown, repr(shown.cid), shown.next_sequence) == (named, repr(b"\x42"), 0)
    assert (
        DtlsSender(CCM_8, keys, cid=bytes(255)).cid_length == 255
    )  # RFC 9146 section 3: <0..2^8-1>
    with pytest.raises(RequestError, match="longer than 255"):
        DtlsSender(CCM_8, keys, cid=bytes(256))
    with pytest.raises(RequestError, match="not as long"):
        DtlsSender(CCM_8, keys, cid=b"\x42", cid_length=2)


def test_epochs_of_a_sender() -> None:
    """RFC 9147 section 8: "sending implementations MUST NOT allow the epoch to exceed 2^48-1"; 1.2 has 16 bits."""
    for suite, epoch in ((CCM_8, 1), (CCM_8, 0xFFFF), (CCM_8_1_3, 4), (CCM_8_1_3, (1 << 48) - 1)):
        sealed = seal_dtls(b"22.35 C", keys_for(suite), suite, epoch=epoch, sequence=5)
        opened = open_dtls(sealed, keys_for(suite), suite, next_sequence=5)
        assert opened == OpenedRecord(23, b"22.35 C", 5)
        # RFC 6347 section 4.1: 48 bits of sequence number; RFC 9146 section 3: up to 255 octets of connection ID
        last = (1 << 48) - 1
        sealed = seal_dtls(b"a", keys_for(suite), suite, epoch=1, sequence=last, cid=bytes(255))
        opened = open_dtls(sealed, keys_for(suite), suite, next_sequence=last)
        assert opened == OpenedRecord(23, b"a", last)
    for suite, epoch in ((CCM_8, 1 << 16), (CCM_8, -1), (CCM_8_1_3, 1 << 48), (CCM_8_1_3, -1)):
        with pytest.raises(RequestError, match="is no number from 0 to"):
            seal_dtls(b"", keys_for(suite), suite, epoch=epoch, sequence=5)
        with pytest.raises(RequestError, match="is no number from 0 to"):
            seal_dtls(b"", keys_for(suite), suite, epoch=1, sequence=1 << 48)


@pytest.mark.parametrize(
    ("suite", "clause"), [(CCM_8, "RFC 6347 §4.1"), (CCM_8_1_3, "RFC 9147 §6.1")]
)
def test_epoch_0_is_in_the_clear(suite: DtlsSuite, clause: str) -> None:
    """RFC 6347 section 4.1: "initially zero and is incremented each time a ChangeCipherSpec message is sent".

    RFC 9147 section 6.1: "Epoch value (0) is used with unencrypted messages."
    """
    with pytest.raises(RequestError, match="in the clear") as refused:
        seal_dtls(b"22.35 C", keys_for(suite), suite, epoch=0, sequence=5)
    assert str(refused.value.cite) == clause


def test_no_octets_are_no_record() -> None:
    """What is wrong with octets is told as such, also where there are none; two records are a wrong request."""
    with pytest.raises(Truncated) as fault:
        open_dtls(b"", keys_for(CCM_8), CCM_8)
    assert (fault.value.offset, fault.value.layer) == (0, "DTLS")
    sealed = write_dtls(seal_dtls(b"22.35 C", keys_for(CCM_8), CCM_8, epoch=1, sequence=5))
    with pytest.raises(RequestError, match="2 records"):
        open_dtls(sealed + sealed, keys_for(CCM_8), CCM_8)


def test_nothing_but_zeros_inside() -> None:
    keys = keys_for(CCM_8_1_3)
    sealed = CCM_8_1_3.aead.seal(keys.key, keys.iv, bytes(8), bytes([0x21, 0]))
    encryptor = Cipher(algorithms.AES(keys.sequence_key), modes.ECB()).encryptor()
    hidden = encryptor.update(sealed[:16])[0]
    with pytest.raises(Malformed, match="no content type"):
        open_1_3(Unified(1, hidden, sealed), keys, CCM_8_1_3)


def test_short_fragments() -> None:
    with pytest.raises(Malformed, match="too few"):
        open_1_2(DtlsRecord(23, 1, 0, bytes(15)), keys_for(CCM_8), CCM_8)
    with pytest.raises(Malformed, match="15 octets"):
        open_1_3(Unified(1, 0, bytes(15)), keys_for(CCM_8_1_3), CCM_8_1_3)


def test_what_cannot_be_sealed() -> None:
    def old(**changes: Any) -> None:
        given = {"epoch": 1, "sequence": 0, **changes}
        seal_1_2(Writer(), b"", keys_for(CCM_8), CCM_8, **given)

    def new(**changes: Any) -> None:
        given = {"epoch": 1, "sequence": 0, **changes}
        seal_1_3(Writer(), b"", keys_for(CCM_8_1_3), CCM_8_1_3, **given)

    for changes in (
        {"epoch": 1 << 16},
        {"sequence": 1 << 48},
        {"sequence": -1},
        {"content_type": 19},
        {"padding": 1},
        {"cid": bytes(256)},
    ):
        with pytest.raises(RequestError):
            old(**changes)
    for changes in ({"sequence_octets": 3}, {"sequence": 1 << 48}, {"cid": bytes(256)}):
        with pytest.raises(RequestError):
            new(**changes)
    with pytest.raises(RequestError, match=r"not 1\.3"):
        seal_1_3(Writer(), b"", keys_for(CCM_8), CCM_8, epoch=1, sequence=0)
    with pytest.raises(RequestError, match=r"not 1\.2"):
        seal_1_2(Writer(), b"", keys_for(CCM_8_1_3), CCM_8_1_3, epoch=1, sequence=0)
    for octets in ((1 << 14) + 1, 1 << 17):
        with pytest.raises(RequestError, match="is over"):
            seal_1_2(Writer(), bytes(octets), keys_for(CCM_8), CCM_8, epoch=1, sequence=0)
        with pytest.raises(RequestError, match="is over"):
            seal_1_3(Writer(), bytes(octets), keys_for(CCM_8_1_3), CCM_8_1_3, epoch=1, sequence=0)
        with pytest.raises(RequestError, match="too many"):
            new(padding=octets)
    seal_1_2(Writer(), bytes(1 << 14), keys_for(CCM_8), CCM_8, epoch=1, sequence=0)


def test_keys_and_suite_go_together() -> None:
    """RFC 6655 section 3: 16 octets of key, 4 of implicit nonce; a sender's keys are refused before any record."""
    with pytest.raises(RequestError, match="RecordKeys and a suite"):
        seal_dtls(b"", bytes(16), CCM_8, epoch=1, sequence=0)  # type: ignore[arg-type]
    with pytest.raises(RequestError, match="RecordKeys and a suite"):
        seal_dtls(b"", keys_for(CCM_8), "CCM_8", epoch=1, sequence=0)  # type: ignore[arg-type]
    assert DtlsSender(CCM_8, RecordKeys(bytes(16), bytes(4))).cid_length == 0
    for key, nonce in ((15, 4), (17, 4), (16, 3), (16, 5)):
        with pytest.raises(RequestError):
            DtlsSender(CCM_8, RecordKeys(bytes(key), bytes(nonce)))


def test_one_number_once() -> None:
    for sealed, suite in ((seal_1_2, CCM_8), (seal_1_3, CCM_8_1_3)):
        used = Nonces()
        for sequence in (0, 1):
            sealed(Writer(), b"a", keys_for(suite), suite, epoch=1, sequence=sequence, used=used)
        with pytest.raises(RequestError, match="has been used"):
            sealed(Writer(), b"a", keys_for(suite), suite, epoch=1, sequence=1, used=used)


def test_keys_are_never_shown() -> None:
    keys = keys_for(CCM_8_1_3)
    assert repr(keys) == str(keys) == "RecordKeys()"
    for wrong in (
        RecordKeys(b"secret", keys.iv, keys.sequence_key),
        RecordKeys(keys.key, b"secret", keys.sequence_key),
        RecordKeys(keys.key, keys.iv, b"secret"),
    ):
        with pytest.raises(RequestError) as caught:
            seal_1_3(Writer(), b"a", wrong, CCM_8_1_3, epoch=1, sequence=0)
        assert "secret" not in str(caught.value)
        assert b"secret".hex() not in str(caught.value)


@pytest.mark.parametrize("call", [seal_dtls, open_dtls])
def test_keys_and_a_suite_are_asked_for(call: Callable[..., object]) -> None:
    more = {"epoch": 1, "sequence": 0} if call is seal_dtls else {}
    with pytest.raises(RequestError, match="RecordKeys and a suite are needed, not bytes"):
        call(b"", bytes(16), CCM_8, **more)
