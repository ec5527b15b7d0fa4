"""Link security: RFC 3610, annex C of IEEE 802.15.4-2006, every level, nonce and missing thing; no key is shown."""

import copy
import pickle
import traceback
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from cryptography.hazmat.primitives.ciphers.aead import AESCCM
from vector_files import document

from lowpanbudget import (
    BadMic,
    Key,
    Mac,
    RequestError,
    Security,
    decode_frame,
    encode_frame,
    explain,
)
from lowpanbudget.bits import Span, tiles
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet.aead import Nonces
from lowpanbudget.layers.link.auxiliary import LEVELS
from lowpanbudget.layers.link.elements import Element, header_ie, payload_ie
from lowpanbudget.layers.link.nonces import NONCE, Devices, devices_of, nonces
from lowpanbudget.layers.link.security import seal, unseal

VECTORS = Path(__file__).parents[3] / "vectors" / "ieee802154"
PACKETS = document(VECTORS / "rfc3610.toml")["case"]
ANNEX = document(VECTORS / "annex-c.toml")["case"]
KEY = bytes(range(0xC0, 0xD0))
OTHER = bytes(range(0x10, 0x20))
EUI = bytes.fromhex("acde480000000001")
PAN, SHORT = 0x4321, bytes.fromhex("0a0b")
PAYLOAD = bytes.fromhex("3f c0ffee 00")  # not a LoWPAN frame, so nothing is read inside
NONE = Devices()


def data(level: int, *, source: bytes = EUI, **changes: Any) -> Mac:
    """Return a data frame's header with a frame counter of 5 and key id mode 0 unless told otherwise."""
    security = Security(level, **{"frame_counter": 5, **changes})
    return Mac(1, 2, 7, PAN, b"\xff\xff", None, source, pan_id_compression=True, security=security)


def names(frame: Any) -> list[str]:
    return [notice.name for notice in frame.notices]


# --- RFC 3610 ---------------------------------------------------------------------------------


def slotted(case: dict[str, Any], level: int) -> tuple[Mac, int]:
    """Return a frame whose 13-octet nonce is the vector's: 8 octets of address, 5 of slot number."""
    nonce = bytes.fromhex(case["nonce"])
    header = Mac(
        version=2, source=nonce[:8], security=Security(level, frame_counter=None, asn_in_nonce=True)
    )
    return header, int.from_bytes(nonce[8:], "big")


@pytest.mark.parametrize("case", [pytest.param(v, id=v["id"]) for v in PACKETS if v["mic"] == 8])
def test_packet_vector_is_sealed_and_opened(case: dict[str, Any]) -> None:
    packet, sealed = bytes.fromhex(case["packet"]), bytes.fromhex(case["sealed"])
    clear, key = case["clear"], Key(case["key"])
    header, asn = slotted(case, 6)
    assert LEVELS[6].mic == case["mic"]
    assert (
        seal(header, packet[:clear], packet[clear:], key, asn=asn, devices=NONE) == sealed[clear:]
    )
    opened = unseal(header, sealed[:clear], sealed[clear:], key, asn=asn, devices=NONE)
    assert opened == packet[clear:]


@pytest.mark.parametrize("case", [pytest.param(v, id=v["id"]) for v in PACKETS if v["mic"] == 10])
def test_packet_vector_with_a_length_that_no_level_has(case: dict[str, Any]) -> None:
    packet, sealed = bytes.fromhex(case["packet"]), bytes.fromhex(case["sealed"])
    clear = case["clear"]
    header, asn = slotted(case, 6)
    cipher = Key(case["key"]).cipher(10)
    nonce = nonces(header, NONE, asn)[0]
    assert cipher.seal(nonce, packet[clear:], packet[:clear]) == sealed[clear:]


# --- annex C ----------------------------------------------------------------------------------


@pytest.mark.parametrize("case", [pytest.param(v, id=v["id"]) for v in ANNEX])
def test_annex_c_frame_is_sealed_octet_for_octet(case: dict[str, Any]) -> None:
    fields = case["fields"]
    header = Mac(
        fields["frame_type"],
        1,
        fields["sequence"],
        fields.get("destination_pan"),
        bytes.fromhex(fields["destination"]) if "destination" in fields else None,
        fields.get("source_pan"),
        bytes.fromhex(fields["source"]),
        pan_id_compression=fields.get("pan_id_compression", False),
        ack_request=fields.get("ack_request", False),
        security=Security(fields["security"]["level"], 0, 5),
    )
    encoded = encode_frame(header, bytes.fromhex(fields["payload"]), key=case["key"], fcs=0)
    assert encoded.octets == bytes.fromhex(case["wire"])
    assert tiles(encoded.spans, len(encoded.octets) * 8)
    frame = decode_frame(encoded.octets, fcs=False, keys=case["key"])
    assert frame.payload == bytes.fromhex(fields["payload"])
    assert frame.verified == (fields["security"]["level"] != 4)


# --- levels -----------------------------------------------------------------------------------


@pytest.mark.parametrize("level", range(1, 8))
@pytest.mark.parametrize("short", [False, True])
@pytest.mark.parametrize("slot", [False, True])
def test_level_against_the_cipher_itself(level: int, *, short: bool, slot: bool) -> None:
    """The nonce put together here, AES-CCM and AES-CTR of the library alone; M and L as in RFC 3610.

    A slot nonce holds the short address (RFC 9031 section 8.4.4.1; how it is filled up is from memory), though the
    EUI-64 is known.
    """
    asn = 0x01_0203_0405 if slot else None
    changes = {"frame_counter": None, "asn_in_nonce": True} if slot else {}
    header = data(level, source=SHORT if short else EUI, **changes)
    devices = {0x0A0B: EUI} if short else {}
    encoded = encode_frame(header, PAYLOAD, key=KEY, asn=asn, devices=devices)
    sender = bytes.fromhex("ba55ec00") + PAN.to_bytes(2, "big") + SHORT if slot and short else EUI
    nonce = sender + (bytes.fromhex("0102030405") if slot else bytes([0, 0, 0, 5, level]))
    clear = encoded.octets[: -2 - len(PAYLOAD) - LEVELS[level].mic]
    body = encoded.octets[len(clear) : -2]
    mic = (0, 4, 8, 16)[level & 3]
    if level == 4:
        counter = Cipher(algorithms.AES(KEY), modes.CTR(b"\x01" + nonce + b"\x00\x01")).encryptor()
        assert body == counter.update(PAYLOAD)
    elif level > 4:
        assert body == AESCCM(KEY, tag_length=mic).encrypt(nonce, PAYLOAD, clear)
    else:
        tag = AESCCM(KEY, tag_length=mic).encrypt(nonce, b"", clear + PAYLOAD)
        assert body == PAYLOAD + tag
    frame = decode_frame(encoded.octets, keys=KEY, asn=asn, devices=devices)
    assert (frame.fault, frame.payload, frame.verified) == (None, PAYLOAD, level != 4)
    assert ("no-integrity-check" in names(frame)) == (level == 4)
    assert tiles(frame.spans, len(frame.octets) * 8)


@pytest.mark.parametrize(
    ("level", "changes", "control", "bits"),
    [
        (5, {}, 0x05, ""),
        (5, {"frame_counter": None}, 0x25, "5"),
        (6, {"asn_in_nonce": True, "key_id_mode": 1, "key_index": 3}, 0x4E, "6"),
        (0, {"frame_counter": None, "asn_in_nonce": True}, 0x60, "5, 6"),
    ],
)
def test_bits_that_are_reserved_in_version_1_are_read_and_noticed(
    level: int, changes: dict[str, Any], control: int, bits: str
) -> None:
    """IEEE 802.15.4-2006 clause 7.6.2.2, from memory: level in bits 0-2, key id mode in 3-4, and 5-7 reserved."""
    later = data(level, **changes)
    for version in (1, 2):
        wire = encode_frame(replace(later, version=version), PAYLOAD, key=KEY, asn=9).octets
        frame = decode_frame(wire, keys=KEY, asn=9)
        assert (frame.fault, frame.payload) == (None, PAYLOAD)
        told = [one for one in frame.notices if one.name == "security-bits-reserved"]
        assert len(told) == (version == 1 and bool(bits))
        for one in told:
            assert wire[one.offset] == control
            assert f"{control:#04x}" in one.text
            assert f"bits 5 to 7: {bits})" in one.text
            assert str(one.cite) == "IEEE 802.15.4-2006 §7.6.2.2"


@pytest.mark.parametrize(
    ("version", "names", "counter", "pan"),
    [
        (1, ["reserved 5", "reserved 6", "reserved 7"], "", ""),
        (
            2,
            ["frame counter suppression", "ASN in nonce", "reserved"],
            "0 octets if the absolute slot number of a slotted network stands for the counter",
            "0 octets with extended addresses on both sides, which no broadcast has",
        ),
    ],
)
@pytest.mark.parametrize("often", [1, 20])  # by the engine, then by a function made for such frames
def test_what_is_named_and_what_would_be_smaller_are_those_of_the_version(
    version: int, names: list[str], counter: str, pan: str, often: int
) -> None:
    """IEEE 802.15.4-2006 clause 7.6.2.2 and table 7-2 of 2015, from memory: suppression and frames without a PAN ID are
    of version 2.
    """
    wire = encode_frame(replace(data(5), version=version), PAYLOAD, key=KEY)
    for _ in range(often):
        frame = decode_frame(wire.octets, keys=KEY)
    for spans in (frame.spans, wire.spans):
        bits = [one for one in spans if one.bits == 1 and one.layer == "security control"]
        assert [one.name for one in bits] == names
        told = {one.name: one.removed_by for one in spans}
        assert (told["frame counter"], told["destination PAN ID"]) == (counter, pan)


def test_level_0_has_an_auxiliary_header_and_no_protection() -> None:
    encoded = encode_frame(data(0), PAYLOAD)
    frame = decode_frame(encoded.octets)
    assert (frame.payload, frame.verified, frame.fault) == (PAYLOAD, False, None)


@pytest.mark.parametrize(
    ("mode", "source", "index"),
    [(0, None, None), (1, None, 3), (2, b"\1\2\3\4", 3), (3, EUI, 3)],
)
def test_key_id_mode_names_the_key(mode: int, source: bytes | None, index: int | None) -> None:
    header = data(6, key_id_mode=mode, key_source=source, key_index=index)
    octets = encode_frame(header, PAYLOAD, key=KEY).octets
    right = Key(KEY, key_id_mode=mode, index=index, source=source)
    assert decode_frame(octets, keys=[right]).payload == PAYLOAD
    for wrong in (
        Key(KEY, key_id_mode=(mode + 1) % 4),
        Key(KEY, index=4),
        Key(KEY, source=b"\x09" * 8),
    ):
        frame = decode_frame(octets, keys=[wrong])
        if wrong.source is not None and source is None:
            assert frame.payload == PAYLOAD  # no source in the frame: the default one may be meant
            continue
        assert frame.payload is None
        assert "key-missing" in names(frame)
        assert f"key id mode {mode}" in frame.notices[0].text


def test_of_several_keys_the_right_one_opens() -> None:
    octets = encode_frame(data(5), PAYLOAD, key=KEY).octets
    frame = decode_frame(octets, keys=[OTHER, KEY.hex(), Key(OTHER)])
    assert (frame.payload, frame.fault, frame.verified) == (PAYLOAD, None, True)


def test_short_form_of_the_slot_nonce() -> None:
    """IEEE 802.15.4-2015, from memory: ba55ec, 00, PAN ID, short address, then the slot number."""
    header = data(6, source=SHORT, frame_counter=None, asn_in_nonce=True)
    encoded = encode_frame(header, PAYLOAD, key=KEY, asn=9)
    nonce = bytes.fromhex("ba55ec 00 4321 0a0b 0000000009")
    sealed = encoded.octets[len(encoded.octets) - 2 - 8 - len(PAYLOAD) : -2]
    clear = encoded.octets[: -2 - len(sealed)]
    assert sealed == AESCCM(KEY, tag_length=8).encrypt(nonce, PAYLOAD, clear)
    # both forms are tried when the EUI-64 is known as well
    devices = {(PAN, 0x0A0B): EUI}
    frame = decode_frame(encoded.octets, keys=KEY, asn=9, devices=devices)
    assert (frame.payload, names(frame)) == (PAYLOAD, ["not-lowpan"])
    assert encode_frame(header, PAYLOAD, key=KEY, asn=9, devices=devices) == encoded
    other = AESCCM(KEY, tag_length=8).encrypt(EUI + bytes.fromhex("0000000009"), PAYLOAD, clear)
    frame = decode_frame(clear + other, fcs=False, keys=KEY, asn=9, devices=devices)
    assert (frame.payload, frame.verified, names(frame)) == (
        PAYLOAD,
        True,
        ["nonce-of-eui-64", "not-lowpan"],
    )
    assert "2012 amendment" in frame.notices[0].text
    assert explain("nonce")[0].text.count("BA-55-EC, 00, PAN ID and short address") == 1


@pytest.mark.parametrize(
    "device",
    [
        "0a0b",
        "0x0a0b",
        "0a:0b",
        b"\x0a\x0b",
        ("4321", "0a0b"),
        (b"\x43\x21", 0x0A0B),
        (PAN, 0x0A0B),
    ],
)
def test_devices_are_named_as_link_addresses_are_elsewhere(device: Any) -> None:
    """``Env`` takes octets and hex text, and ``frame.mac.source`` is octets, most significant first."""
    header = data(6, source=SHORT)
    octets = encode_frame(header, PAYLOAD, key=KEY, devices={device: EUI}).octets
    assert octets == encode_frame(header, PAYLOAD, key=KEY, devices={0x0A0B: EUI}).octets
    mac = decode_frame(octets).mac
    assert mac is not None
    assert decode_frame(octets, keys=KEY, devices={mac.source: EUI}).payload == PAYLOAD
    with pytest.raises(RequestError, match="neither a short address"):
        devices_of({EUI: EUI})


# --- what is clear and what is private --------------------------------------------------------


def test_command_identifier_is_clear_before_version_2_and_private_from_then_on() -> None:
    for version, clear in ((1, True), (2, False)):
        header = replace(data(6), frame_type=3, version=version)
        encoded = encode_frame(header, b"\x01\xce", key=KEY)
        identifier = encoded.octets[-2 - 8 - 2]
        assert (identifier == 1) == clear
        frame = decode_frame(encoded.octets, keys=KEY)
        assert (frame.payload, frame.fault) == (b"\x01\xce", None)
        touched = bytearray(encoded.octets)
        touched[-2 - 8 - 2] ^= 1  # the identifier is authenticated either way
        assert isinstance(decode_frame(bytes(touched), keys=KEY).fault, BadMic)


def test_beacon_fields_are_clear_before_version_2() -> None:
    header = Mac(0, 1, 7, None, None, PAN, EUI, security=Security(7))
    fields = bytes.fromhex("46c9 82 02 0201 3a 0403 2d 12 0605 0807 8877665544332211")
    encoded = encode_frame(header, fields + b"beacon", key=KEY)
    at = encoded.octets.index(fields)
    assert b"beacon" not in encoded.octets
    assert at == 2 + 1 + 2 + 8 + 5
    frame = decode_frame(encoded.octets, keys=KEY)
    assert (frame.payload, frame.fault) == (fields + b"beacon", None)


def test_payload_ies_are_private_and_header_ies_only_authenticated() -> None:
    """IEEE 802.15.4-2015 clause 9.3, from memory; RFC 8137 section 1: a header IE "is never encrypted"."""
    header = replace(
        data(6),
        header_ies=(header_ie(0x1A, csl_phase=0x5A5A, csl_period=0x5A5A),),
        payload_ies=(payload_ie(5, subtype_id=201, subtype_content=b"private"),),
    )
    encoded = encode_frame(header, PAYLOAD, key=KEY)
    assert b"\x5a\x5a\x5a\x5a" in encoded.octets
    assert b"private" not in encoded.octets
    assert tiles(encoded.spans, len(encoded.octets) * 8)

    frame = decode_frame(encoded.octets, keys=KEY)
    assert frame.fault is None
    assert frame.payload == PAYLOAD
    assert frame.mac is not None
    assert [element.id for element in frame.mac.header_ies] == [0x1A, 0x7E]
    assert frame.mac.payload_ies == (Element(5, b"\xc9private"), Element(0xF))

    sealed = decode_frame(encoded.octets)
    assert sealed.mac is not None
    assert sealed.mac.payload_ies == ()
    assert sealed.payload is None
    assert [element.id for element in sealed.mac.header_ies] == [0x1A, 0x7E]

    touched = bytearray(encoded.octets)
    touched[encoded.octets.index(b"\x5a\x5a")] ^= 1
    assert isinstance(decode_frame(bytes(touched), keys=KEY).fault, BadMic)


# --- what is missing --------------------------------------------------------------------------


def assert_clear_header(frame: Any) -> None:
    """The whole header is shown although the payload is not."""
    assert frame.payload is None
    assert frame.datagram is None
    shown = {span.name for span in frame.spans}
    assert {"sequence number", "source address", "level", "frame counter suppression"} <= shown
    assert frame.mac.security.frame_counter == 5
    assert frame.mac.security.mic == frame.octets[-2 - len(frame.mac.security.mic) : -2]
    assert tiles(frame.spans, len(frame.octets) * 8)


def test_missing_key_says_which() -> None:
    header = data(6, key_id_mode=2, key_source=b"\x01\x02\x03\x04", key_index=9)
    frame = decode_frame(encode_frame(header, PAYLOAD, key=KEY).octets)
    assert_clear_header(frame)
    assert "key id mode 2, index 9, source 01020304" in frame.notices[0].text
    assert frame.fault is None


def test_missing_eui_64_says_whose() -> None:
    header = data(6, source=SHORT)
    octets = encode_frame(header, PAYLOAD, key=KEY, devices={0x0A0B: EUI}).octets
    frame = decode_frame(octets, keys=KEY)
    assert_clear_header(frame)
    assert names(frame) == ["nonce-unknown"]
    assert "0x0a0b" in frame.notices[0].text
    with pytest.raises(RequestError, match=r"0x0a0b.* key file.* devices=\{0x0a0b: "):
        encode_frame(header, PAYLOAD, key=KEY)


def test_the_device_of_this_pan_comes_first() -> None:
    octets = encode_frame(data(6, source=SHORT), PAYLOAD, key=KEY, devices={0x0A0B: EUI}).octets
    wrong = bytes(8)
    assert decode_frame(octets, keys=KEY, devices={(PAN, 0x0A0B): EUI, 0x0A0B: wrong}).verified
    assert not decode_frame(octets, keys=KEY, devices={(PAN, 0x0A0B): wrong, 0x0A0B: EUI}).verified
    assert decode_frame(octets, keys=KEY, devices={0x0A0B: "ac-de-48-00-00-00-00-01"}).verified


def test_missing_slot_number_is_asked_for() -> None:
    header = data(6, frame_counter=None, asn_in_nonce=True)
    octets = encode_frame(header, PAYLOAD, key=KEY, asn=1).octets
    frame = decode_frame(octets, keys=KEY)
    assert names(frame) == ["nonce-unknown"]
    assert "absolute slot number" in frame.notices[0].text
    assert isinstance(decode_frame(octets, keys=KEY, asn=2).fault, BadMic)
    with pytest.raises(RequestError, match="absolute slot number"):
        encode_frame(header, PAYLOAD, key=KEY)


def test_frame_without_source_address() -> None:
    header = replace(data(6), source=None, pan_id_compression=False)
    with pytest.raises(RequestError, match="no source address"):
        encode_frame(header, PAYLOAD, key=KEY)
    octets = bytes.fromhex("0928072143ffff0605000000") + bytes(12)
    frame = decode_frame(octets, fcs=False, keys=KEY)
    assert names(frame) == ["nonce-unknown"]


@pytest.mark.parametrize("level", [5, 6, 7])
def test_wrong_key_is_a_wrong_mic_and_the_header_stays(level: int) -> None:
    octets = encode_frame(data(level), PAYLOAD, key=KEY).octets
    frame = decode_frame(octets, keys=OTHER)
    assert_clear_header(frame)
    assert isinstance(frame.fault, BadMic)
    assert frame.fault.offset == len(octets) - 2 - LEVELS[level].mic
    assert "mic-wrong" in names(frame)


@pytest.mark.parametrize("level", [1, 2, 3])
def test_wrong_mic_of_a_readable_frame_hands_nothing_on(level: int) -> None:
    """The octets can be read and are shown, but no datagram comes of them."""
    lowpan = bytes.fromhex("7a33 3a 0102 8000000000000000")
    octets = encode_frame(data(level), lowpan, key=KEY).octets
    assert decode_frame(octets, keys=KEY).datagram is not None
    frame = decode_frame(octets, keys=OTHER)
    assert isinstance(frame.fault, BadMic)
    assert frame.payload == lowpan
    assert frame.datagram is None
    assert not frame.verified


def test_every_altered_octet_is_noticed() -> None:
    octets = encode_frame(data(6), PAYLOAD, key=KEY, fcs=0).octets
    for at in range(len(octets)):
        for bit in (0, 7):
            touched = bytearray(octets)
            touched[at] ^= 1 << bit
            frame = decode_frame(bytes(touched), fcs=False, keys=KEY)
            # reading may already fail, or the key may not be the one named; it never passes as verified
            assert not frame.verified
            assert tiles(frame.spans, len(touched) * 8)


# --- requests ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "arguments",
    [
        {"keys": b"short"},
        {"keys": "no hex at all"},
        {"keys": 5},
        {"keys": [None]},
        {"keys": KEY, "asn": -1},
        {"keys": KEY, "asn": 1 << 40},
        {"keys": KEY, "asn": "9"},
        {"devices": [1]},
        {"devices": {"0a": EUI}},
        {"devices": {0x1_0000: EUI}},
        {"devices": {(1, 2, 3): EUI}},
        {"devices": {1: b"\1\2"}},
        {"devices": {1: None}},
        {"devices": {True: EUI}},
    ],
)
def test_arguments_that_cannot_be_used(arguments: dict[str, Any]) -> None:
    with pytest.raises(RequestError):
        decode_frame(bytes(12), **arguments)


@pytest.mark.parametrize(
    "arguments",
    [
        (KEY[:15],),
        (KEY + b"\0",),
        (KEY.hex()[:-1],),
        (None,),
        (KEY, 4),
        (KEY, 1, 256),
        (KEY, 1, -1),
        (KEY, 1, "1"),
        (KEY, 2, 1, b"\1"),
        (KEY, 2, 1, "xy"),
    ],
)
def test_key_that_cannot_be_used(arguments: tuple[Any, ...]) -> None:
    with pytest.raises(RequestError):
        Key(*arguments)


@pytest.mark.parametrize("level", range(1, 8))
def test_one_nonce_once(level: int) -> None:
    """RFC 3610 section 2: for one key "the nonce value MUST be unique"; the frame's number is no part of it."""
    used = Nonces(cite=NONCE)
    encode_frame(data(level), PAYLOAD, key=KEY, used=used)
    encode_frame(data(level, frame_counter=6), PAYLOAD, key=KEY, used=used)
    encode_frame(data(level % 7 + 1), PAYLOAD, key=KEY, used=used)
    with pytest.raises(RequestError, match="nonce has been used") as caught:
        encode_frame(replace(data(level), sequence=8), b"other", key=KEY, used=used)
    assert caught.value.cite == NONCE
    assert "frame counter" in caught.value.hint
    slot = data(level, frame_counter=None, asn_in_nonce=True)
    encode_frame(slot, PAYLOAD, key=KEY, asn=5, used=used)
    with pytest.raises(RequestError, match="nonce has been used"):
        encode_frame(slot, PAYLOAD, key=KEY, asn=5, used=used)
    encode_frame(slot, PAYLOAD, key=KEY, asn=6, used=used)
    encode_frame(slot, PAYLOAD, key=OTHER, asn=5, used=Nonces())  # another key has its own
    assert "acde" not in repr(used)


def test_what_is_not_sealed_takes_no_nonce() -> None:
    used = Nonces()
    for _ in range(2):
        encode_frame(data(0), PAYLOAD, key=KEY, used=used)


def test_level_without_key() -> None:
    with pytest.raises(RequestError, match="needs a key"):
        encode_frame(data(5), PAYLOAD)


@pytest.mark.parametrize("level", range(1, 8))
def test_the_last_counter_seals_nothing(level: int) -> None:
    """A sender has COUNTER_ERROR at 0xffffffff (IEEE 802.15.4-2006 clause 7.5.8.2.1, from memory)."""
    used = Nonces()
    with pytest.raises(RequestError, match=r"used up.*Agree on a new key"):
        encode_frame(data(level, frame_counter=0xFFFFFFFF), PAYLOAD, key=KEY, used=used)
    before = encode_frame(data(level, frame_counter=0xFFFFFFFE), PAYLOAD, key=KEY, used=used)
    assert b"\xfe\xff\xff\xff" in before.octets


def test_a_counter_that_nothing_is_sealed_with_may_be_any() -> None:
    encode_frame(data(0, frame_counter=0xFFFFFFFF), PAYLOAD)
    header = data(5, frame_counter=None, asn_in_nonce=True)
    assert encode_frame(header, PAYLOAD, key=KEY, asn=0xFFFFFFFF).octets


def test_device_table_is_read_once() -> None:
    table = devices_of({0x0A0B: EUI})
    assert devices_of(table) is table


# --- no key is ever shown ---------------------------------------------------------------------

SECRET = bytes.fromhex("5ec2e7000102030405060708090a0b0c")
SHOWN = (
    SECRET.hex(),
    SECRET.hex(" "),
    SECRET.hex().upper(),
    repr(SECRET),
    repr(list(SECRET)),
    repr(SECRET)[2:-1],
    str(int.from_bytes(SECRET, "big")),
)


def assert_hidden(*texts: object) -> None:
    for text in texts:
        for form in SHOWN:
            assert form not in str(text)
            assert form not in repr(text)


@pytest.mark.parametrize(
    "given", [SECRET, SECRET.hex(), SECRET.hex(" "), Key(SECRET), [Key(SECRET)]]
)
def test_key_is_in_no_text_of_a_frame(given: Any) -> None:
    right = encode_frame(data(6), PAYLOAD, key=SECRET).octets
    wrong = encode_frame(data(6), PAYLOAD, key=KEY).octets
    for octets in (right, wrong, right[:-9]):
        frame = decode_frame(octets, keys=given)
        assert_hidden(frame, frame.mac, *frame.spans, *frame.notices, frame.fault, *frame.layers)
    assert_hidden(given if not isinstance(given, bytes | str) else "", Key(SECRET))


def test_key_is_in_no_error() -> None:
    for octets in (SECRET + b"\0", SECRET[:15], SECRET.hex()[:-1], SECRET.hex() + "zz"):
        with pytest.raises(RequestError) as caught:
            Key(octets)
        told = "".join(traceback.format_exception(caught.value))
        for form in (SECRET[:15].hex(), SECRET.hex()[:-1], repr(SECRET[:15])[2:-1]):
            assert form not in told
    for misplaced in ((KEY, SECRET), (KEY, 1, SECRET.hex()), (KEY, [1]), (SECRET, 9)):
        with pytest.raises(RequestError) as caught:
            Key(*misplaced)  # what a user may do by mistake
        assert_hidden(caught.value)
    with pytest.raises(RequestError) as caught:
        decode_frame(b"", asn=SECRET)  # type: ignore[arg-type]
    assert_hidden(caught.value)
    with pytest.raises(RequestError) as caught:
        encode_frame(data(6, source=SHORT), PAYLOAD, key=SECRET)
    assert_hidden(caught.value, "".join(traceback.format_exception(caught.value)))
    header = data(6)
    key = Key(SECRET)
    with pytest.raises(WireError) as wrong:
        unseal(header, b"", bytes(20), key, asn=None, devices=NONE)
    assert_hidden(wrong.value, "".join(traceback.format_exception(wrong.value)))


def test_key_is_a_value() -> None:
    key = Key(SECRET, 1, 2)
    key.cipher(8)  # a prepared cipher neither shows nor stands in the way of a copy
    assert_hidden(key)
    assert copy.deepcopy(key) == key == pickle.loads(pickle.dumps(key)) == Key(SECRET.hex(), 1, 2)
    assert Key(OTHER) != key
    assert len({key, Key(SECRET, 1, 2)}) == 1
    assert Key.of(key) is key


@pytest.mark.parametrize(("mode", "source"), [(2, "01020304"), (3, "0102030405060708")])
def test_a_key_source_is_shown_as_an_address_is_and_the_order_of_its_octets_is_told(
    mode: int, source: str
) -> None:
    """Octets go out least significant first (IEEE 802.15.4-2015 clause 4.5.1, from memory), the index behind them."""
    sent = bytes.fromhex(source)[::-1] + b"\x05"
    header = data(6, key_id_mode=mode, key_source=bytes.fromhex(source), key_index=5)
    frame = decode_frame(encode_frame(header, b"temperature", key=KEY).octets)
    span = next(one for one in frame.spans if sent == octets_of(frame.octets, one))
    assert span.value == (bytes.fromhex(source), 5)
    assert "sent last octet first" in span.meaning


def octets_of(octets: bytes, span: Span) -> bytes:
    return octets[span.offset_bits // 8 :][: span.bits // 8]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (SECRET.hex()[:-1], "31 hex digits, and two are an octet"),
        (SECRET.hex()[:-1] + "g", "no hex"),
    ],
)
def test_a_key_that_lost_a_digit_is_told_by_their_number_and_not_shown(text: str, why: str) -> None:
    with pytest.raises(RequestError, match=why) as caught:
        Key(text)
    assert text[:8] not in f"{caught.value.message} {caught.value.hint}"
