"""CoAP, DTLS records and byte code of the vectors, inside datagrams: what decoding shows of them."""

from ipaddress import IPv6Address
from itertools import groupby
from typing import Any

import pytest
from contract import air
from contract.vectors import CARRIED, Case, behind, carried, load, named, octets, tiles

import lowpanbudget
from lowpanbudget import Env, Span, WireError, compress, decompress

ENDS = IPv6Address("2001:db8::1"), IPv6Address("2001:db8::2")
INSIDE = CARRIED + 40 + 8
COAP_PORT, DTLS_PORT = 5683, 5684  # RFC 7252 section 12.6 and 12.7
TYPES = ("CON", "NON", "ACK", "RST")  # RFC 7252 section 3: 0 to 3


def sent(case: Case, port: int) -> Any:
    """Return the frame read that carries the case's octets over UDP to this port."""
    frame = carried(air.udp_datagram(*ENDS, octets(case, "wire"), (61000, port)))
    assert frame.fault is None
    return frame


def unreadable(frame: Any) -> list[int]:
    """Return where something could not be read, in octets of the UDP payload."""
    return [n.offset - INSIDE for n in frame.notices if n.name == "payload-unreadable"]


def is_invalid(case: Case) -> bool:
    return bool(case.get("result") == "invalid")


# --- CoAP -------------------------------------------------------------------------------------------

COAP = [case for case in load("rfc7252", "rfc7641") if "wire" in case]
MESSAGES = [case for case in COAP if not is_invalid(case)]


def options_of(spans: list[Span]) -> list[list[Any]]:
    """Return [number, value in hex] of each option (RFC 7252 section 3.1): numbers are sums of deltas."""
    found: list[list[Any]] = []
    number = 0
    wire_of = {span.offset_bits: span for span in spans}
    rest = iter(spans)
    for span in rest:
        if span.name != "option delta":
            continue
        place = span.offset_bits + 8
        delta, length = span.value, wire_of[span.offset_bits + 4].value
        if delta > 12:  # the extended delta's value is the whole delta
            extended = wire_of[place]
            delta, place = extended.value, place + extended.bits
        if length > 12:
            extended = wire_of[place]
            length, place = extended.value, place + extended.bits
        number += delta
        found.append([number, place // 8, length])
    return found


@pytest.mark.parametrize("case", named(MESSAGES))
def test_coap_message(case: Case) -> None:
    frame = sent(case, COAP_PORT)
    wire = octets(case, "wire")
    assert unreadable(frame) == []
    there = behind(frame.spans, INSIDE)
    assert {span.layer for span in there} == {"CoAP"}
    first = {name: next(group) for name, group in groupby(there, key=lambda span: span.name)}
    version, kind, token_length = there[:3]
    code, mid = there[3:5]
    assert [version.value, code.value, mid.value] == [1, wire[1], int.from_bytes(wire[2:4], "big")]
    assert [version.bits, kind.bits, token_length.bits, code.bits, mid.bits] == [2, 2, 4, 8, 16]
    if "type" in case:
        assert TYPES[kind.value] == case["type"]
        assert f"{code.value >> 5}.{code.value & 31:02}" == case["code"]
        assert code.meaning.startswith(case["code"]) or code.value == 0
        assert mid.value == case["mid"]
    if "header" in case:
        assert wire[:4].hex() == case["header"]
    if "token" in case:
        token = octets(case, "token")
        assert token_length.value == len(token)
        assert (first["token"].value if token else b"") == token
    wanted = case.get("options")
    if "path" in case:
        wanted = [[11, case["path"].encode().hex()]] if case["path"] else []
    found = options_of(there)
    whole = frame.octets
    assert [[n, whole[at : at + size].hex()] for n, at, size in found] == [
        [n, bytes.fromhex(value).hex()] for n, value in wanted or []
    ]
    payload = [span.value for span in there if span.name == "payload"]
    text = case.get("payload", "")
    expected = text.encode() if "path" in case or "header" in case else bytes.fromhex(text)
    assert payload == ([expected] if expected else [])


@pytest.mark.parametrize("case", named(case for case in COAP if is_invalid(case)))
def test_coap_that_cannot_be_read(case: Case) -> None:
    assert unreadable(sent(case, COAP_PORT)) == [case["offset"]]


OPTIONS = load("rfc7252", key="option")
KINDS = {"uint": int, "string": str, "opaque": bytes, "empty": bytes}


def option(number: int, value: bytes) -> bytes:
    """Return an option behind the header, by RFC 7252 figure 8."""
    nibbles, more = [], b""
    for count in (number, len(value)):
        if count < 13:
            nibbles.append(count)
        elif count < 269:
            nibbles.append(13)
            more += bytes([count - 13])
        else:
            nibbles.append(14)
            more += (count - 269).to_bytes(2, "big")
    return bytes([nibbles[0] << 4 | nibbles[1]]) + more + value


def message_with(number: int, value: bytes, payload: bytes = b"", code: int = 1) -> Any:
    """Return the frame read that carries a confirmable message with one option."""
    wire = bytes([0x40, code, 0x12, 0x34]) + option(number, value)
    return sent({"wire": (wire + (b"\xff" + payload if payload else b"")).hex()}, COAP_PORT)


@pytest.mark.parametrize("case", [pytest.param(case, id=case["row"]) for case in OPTIONS])
def test_coap_option(case: Case) -> None:
    """Name, criticality and format of every row, with the shortest value of at least an octet that it allows."""
    number, flags, name, kind, limits, _ = case["row"].split()
    shortest, longest = map(int, limits.split("-"))
    value = b"1" * min(max(shortest, 1), longest)
    frame = message_with(int(number), value)
    assert unreadable(frame) == [] or name == "OSCORE"
    there = behind(frame.spans, INSIDE + 4)
    manner = "critical" if flags[0] == "C" else "elective"
    assert there[0].meaning == f"{name} ({number}), {manner}"
    if value and kind in KINDS and not name.startswith(("Block", "Q-Block")) and name != "OSCORE":
        (span,) = [span for span in there if span.name == name]
        text = {"uint": int.from_bytes(value, "big"), "string": value.decode()}.get(kind, value)
        assert span.value == text
        assert isinstance(span.value, KINDS[kind])


@pytest.mark.parametrize("case", named(load("rfc7959")))
def test_block_option(case: Case) -> None:
    """RFC 7959 section 2.2: NUM, M and SZX; the size is 2 to the power of SZX + 4."""
    value = octets(case, "value")
    number, more, size = map(int, case["text"].split("/"))
    there = behind(message_with(case["number"], value, bytes(16)).spans, INSIDE)
    values = {
        span.name.rpartition(" ")[2]: span.value for span in there if span.name.startswith("Block")
    }
    assert number * size == case["offset"]
    if value:
        assert [values["(NUM)"], values["(M)"], 16 << values["(SZX)"]] == [number, more, size]
    else:
        assert values == {}


OSCORE = load("rfc8613")


@pytest.mark.parametrize("case", named(OSCORE))
def test_oscore_option(case: Case) -> None:
    """RFC 8613 section 6.1, figure 10: Partial IV, kid context, kid; a wrong value explains nothing inside."""
    frame = message_with(9, octets(case, "wire"), bytes(10), code=2)
    inside = {s.name: s.value for s in behind(frame.spans, INSIDE) if s.layer == "OSCORE"}
    if is_invalid(case):
        assert not inside
        return
    for key, name in (("piv", "Partial IV"), ("kid_context", "kid context"), ("kid", "kid")):
        value = octets(case, key) if key in case else b""
        assert inside.get(name, b"") == value
    if inside:
        assert inside["kid flag (k)"] == int("kid" in case)
        assert inside["kid context flag (h)"] == int("kid_context" in case)
        assert inside["Partial IV length (n)"] == len(octets(case, "piv") if "piv" in case else b"")


@pytest.mark.parametrize("case", named(load("rfc8613", key="message")))
def test_protected_message(case: Case) -> None:
    """RFC 8613 appendix C: the octets printed for the protected messages."""
    frame = sent({"wire": case["protected"]}, COAP_PORT)
    assert unreadable(frame) == []
    there = behind(frame.spans, INSIDE)
    assert [s.value for s in there if s.name == "payload"] == [octets(case, "ciphertext")]
    value = octets(case, "option")
    inside = [span for span in there if span.layer == "OSCORE"]
    assert sum(span.bits for span in inside) == 8 * len(value)


# --- DTLS -------------------------------------------------------------------------------------------

# what only the two ends know, a frame does not tell: the length of a connection ID, the cipher suite
DTLS = [
    case for case in load("rfc6347", "rfc9147")
    if "wire" in case and not {"cid_length", "suite"} & case.keys()
]  # fmt: skip


@pytest.mark.parametrize("case", named(case for case in DTLS if not is_invalid(case)))
def test_dtls_record(case: Case) -> None:
    frame = sent(case, DTLS_PORT)
    assert unreadable(frame) == []
    there = behind(frame.spans, INSIDE)
    values = {span.name: span.value for span in there}
    assert values["sequence number"] == case["sequence"]
    fragment = octets(case, "fragment")
    if "content_type" in case:
        assert [values["content type"], values["epoch"]] == [case["content_type"], case["epoch"]]
        assert values["length"] == len(fragment)
        assert sum(span.bits for span in there[:5]) == 13 * 8  # RFC 7925 appendix B: "13 bytes"
    else:
        assert values["epoch (E)"] == case["epoch"]
        assert values["length present (L)"] == int(case.get("has_length", False))
        assert values["sequence number length (S)"] == case.get("sequence_octets", 1) - 1
    assert frame.octets.endswith(fragment)


@pytest.mark.parametrize("case", named(case for case in DTLS if is_invalid(case)))
def test_dtls_that_cannot_be_read(case: Case) -> None:
    assert unreadable(sent(case, DTLS_PORT)) == [case["offset"]]


# --- byte code (RFC 7400) ---------------------------------------------------------------------------

# by hand: IPHC with hop limit 64, both addresses in line as the file's dictionary has them; UDP NHC of section 3.3,
# ports and checksum in line (figure 6)
BEFORE = bytes.fromhex("7e 00") + bytes(range(0x10, 0x30)) + bytes.fromhex("d0 f0b1 f0b2 1234")
# the last header ends with the datagram, whose size no frame bounds below 2047
CODES = [
    case for case in load("rfc7400")
    if "code" in case and "source_address" not in case and "limit" not in case and "stop" not in case["id"]
]  # fmt: skip


@pytest.mark.parametrize("case", named(case for case in CODES if not is_invalid(case)))
def test_code_stands_for_its_octets(case: Case) -> None:
    payload = octets(case, "octets")
    read = decompress(BEFORE + octets(case, "code"), Env())
    assert read.octets[48:].hex(" ") == payload.hex(" ")
    assert int.from_bytes(read.octets[44:46], "big") == 8 + len(payload)
    assert tiles(read.spans, (len(BEFORE) + len(octets(case, "code"))) * 8)
    assert len(compress(read.octets, Env(), ghc=True).octets) <= len(BEFORE) + len(payload)


@pytest.mark.parametrize("case", named(case for case in CODES if is_invalid(case)))
def test_wrong_code_is_refused_where_it_is(case: Case) -> None:
    with pytest.raises(WireError) as caught:
        decompress(BEFORE + octets(case, "code"), Env())
    assert type(caught.value) is getattr(lowpanbudget, case["error"])
    assert caught.value.offset == len(BEFORE) + case["offset"]


@pytest.mark.parametrize(
    "case", named(case for case in load("rfc7400") if "ipv6" in case and "code" in case)
)
def test_figure_in_a_payload(case: Case) -> None:
    """The ICMPv6 messages of RFC 7400's figures, with the code as printed behind IPHC and NHC 11011111."""
    packet, code = octets(case, "ipv6"), octets(case, "code")
    packed = compress(packet, ghc=True)
    start = packed.octets.index(0b11011111) + 1
    assert len(packed.octets) <= start + len(code)
    back = decompress(packed.octets)
    assert back.octets == packet
    assert back.spans == packed.spans
    assert decompress(packed.octets[:start] + code).octets == packet


def test_recorded_handshake() -> None:
    """Datagrams of another implementation's handshake, several records in one among them."""
    (handshake,) = load("rfc6347", key="handshake")
    assert len(handshake["datagrams"]) > 5
    for wire in handshake["datagrams"]:
        assert unreadable(sent({"wire": wire}, DTLS_PORT)) == []


def test_nothing_is_left_out() -> None:
    assert len(COAP) == 67
    assert len(DTLS) >= 25
    assert len(CODES) == 22
