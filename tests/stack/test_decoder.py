"""A decoder set up once: the same frames as ``decode_frame``, and the octets of applications by their layouts."""

from ipaddress import IPv6Address
from pathlib import Path
from typing import Any

import pytest
from contract.air import CONTEXTS, KEY, ip_of, mac_of, mixed, udp_datagram

from lowpanbudget import (
    Decoder,
    Env,
    Mac,
    RequestError,
    Security,
    compress,
    decode_frame,
    encode_frame,
    load_design,
)

EXAMPLES = Path(__file__).parents[2] / "examples"
A, B = b"\0\1", b"\0\2"
MESSAGE: Any = load_design(EXAMPLES / "archive.toml").message("climate")
TYPICAL = MESSAGE.pack(MESSAGE.example("typical"))


def carrying(payload: bytes, ports: tuple[int, int] = (61616, 61620)) -> bytes:
    datagram = udp_datagram(ip_of(A), ip_of(B), payload, ports=ports)
    lowpan = compress(datagram, Env(A, B, contexts=CONTEXTS)).octets
    return encode_frame(mac_of(A, B), lowpan).octets


def names(frame: Any) -> list[str]:
    return [span.name for span in frame.spans if span.layer.startswith("message")]


def test_frames_are_those_of_decode_frame() -> None:
    decoder = Decoder(CONTEXTS)
    for octets in mixed(200):
        frame, expected = decoder.frame(octets), decode_frame(octets, contexts=CONTEXTS)
        assert (frame.spans, frame.datagram) == (expected.spans, expected.datagram)
        assert list(map(str, frame.notices)) == list(map(str, expected.notices))


@pytest.mark.parametrize(
    "key",
    [61620, 61616, (ip_of(A), ip_of(B), 61620), (str(ip_of(A)), str(ip_of(B)), 61620)],
    ids=["to the port", "from the port", "a flow", "a flow in text"],
)
def test_an_application_is_read_by_its_layout(key: Any) -> None:
    frame = Decoder(CONTEXTS, layouts={key: MESSAGE}).frame(carrying(TYPICAL))
    assert sum(span.bits for span in frame.spans) == 8 * len(frame.octets)
    assert {"version", "temperature"} <= set(names(frame))
    plain = decode_frame(frame.octets, contexts=CONTEXTS)
    assert names(plain) == []
    assert frame.datagram == plain.datagram


def test_a_layout_for_the_port_of_coap_says_what_is_read_there() -> None:
    """RFC 7252 section 6.1: 5683 is CoAP's; whoever names a layout for it knows that something else is sent."""
    octets = carrying(TYPICAL, (61616, 5683))
    assert any(
        one.name == "payload-unreadable" for one in decode_frame(octets, contexts=CONTEXTS).notices
    )
    frame = Decoder(CONTEXTS, layouts={5683: MESSAGE}).frame(octets)
    assert "temperature" in names(frame)
    assert not [one for one in frame.notices if one.name == "payload-unreadable"]


def test_a_flow_comes_before_a_port() -> None:
    class Whole:
        def read(self, reader: Any) -> None:
            reader.octets(reader.left, "by the flow")

    flow = (ip_of(A), ip_of(B), 61620)
    decoder = Decoder(CONTEXTS, layouts={61620: MESSAGE, flow: Whole()})
    assert any(span.name == "by the flow" for span in decoder.frame(carrying(TYPICAL)).spans)


def test_octets_that_the_layout_does_not_fit_stay_as_they_are() -> None:
    octets = carrying(TYPICAL + b"more than the message has")
    frame = Decoder(CONTEXTS, layouts={61620: MESSAGE}).frame(octets)
    assert frame.spans == decode_frame(octets, contexts=CONTEXTS).spans
    other = Decoder(CONTEXTS, layouts={4000: MESSAGE}).frame(octets)
    assert other.spans == frame.spans


def test_the_first_fragment_is_not_read_by_the_layout() -> None:
    """RFC 4944 figure 4: what it brings is the beginning of a datagram, as many octets as a message has or not."""
    payload = decode_frame(carrying(TYPICAL), contexts=CONTEXTS).payload
    assert payload is not None
    octets = encode_frame(mac_of(A, B), bytes.fromhex("c0 80 00 07") + payload).octets
    frame = Decoder(CONTEXTS, layouts={61620: MESSAGE}).frame(octets)
    assert frame.fault is None
    assert frame.fragment is not None
    assert frame.spans == decode_frame(octets, contexts=CONTEXTS).spans


@pytest.mark.parametrize(
    ("known", "word"),
    [
        ({"layouts": [MESSAGE]}, "layouts"),
        ({"layouts": {70000: MESSAGE}}, "70000"),
        ({"layouts": {"61620": MESSAGE}}, "61620"),
        ({"layouts": {61620: "climate"}}, "climate"),
        ({"layouts": {("x", IPv6Address("::1"), 1): MESSAGE}}, "source"),
        ({"contexts": {16: "2001:db8::/64"}}, "16"),
        ({"keys": "abc"}, "key"),
        ({"devices": {"a": "b"}}, "device"),
        ({"root": 1}, "root"),
        ({"rpi_type": 3}, "rpi_type"),
    ],
)
def test_what_cannot_be_used_is_named(known: dict[str, Any], word: str) -> None:
    with pytest.raises(RequestError, match=word):
        Decoder(**known)


@pytest.mark.parametrize(("octets", "fcs"), [("61", True), (b"a", 3), (b"a", "2"), (b"a", None)])
def test_a_wrong_frame_or_fcs_is_a_wrong_request(octets: Any, fcs: Any) -> None:
    with pytest.raises(RequestError):
        Decoder().frame(octets, fcs)


def test_any_kind_of_octets_will_do() -> None:
    octets = carrying(TYPICAL)
    decoder = Decoder(CONTEXTS)
    spans = decoder.frame(octets).spans
    assert decoder.frame(bytearray(octets)).spans == spans  # type: ignore[arg-type]
    assert decoder.frame(memoryview(octets), 2).spans == spans  # type: ignore[arg-type]


def test_a_decoder_does_not_change_and_shows_no_key() -> None:
    decoder = Decoder(keys=[bytes(range(16))])
    with pytest.raises(AttributeError):
        decoder.root = None  # type: ignore[misc]
    assert "0001020304" not in repr(decoder).replace("\\x", "")
    assert bytes(range(16)).hex() not in repr(decoder)


@pytest.mark.parametrize("level", [4, 5, 7])
def test_what_is_not_read_of_an_opened_frame_is_told_in_the_clear(level: int) -> None:
    """Dispatch 0x43 is LOWPAN_DFF (RFC 6971): what stands behind it is not read, and was sealed."""
    payload = b"\x43abcdefgh"
    header = Mac(
        destination_pan=1, destination=bytes(8), source=bytes(range(8)), pan_id_compression=True,
        security=Security(level, 1, 9, None, 1),
    )  # fmt: skip
    frame = decode_frame(encode_frame(header, payload, key=KEY).octets, keys=KEY)
    assert frame.payload == payload
    (span,) = (one for one in frame.spans if one.name == "not decoded")
    assert span.value == payload[-(span.bits // 8) :]
