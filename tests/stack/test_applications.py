"""CoAP and DTLS between ports that are not registered for them (RFC 7252 section 7.1), where somebody says so."""

import struct
from ipaddress import IPv6Address

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.inet6 import UDP, IPv6  # type: ignore[attr-defined]
from scapy.packet import Raw

from lowpanbudget import CoapMessage, Decoder, Env, RequestError, compress, decode_datagram
from lowpanbudget.bits import Reader
from lowpanbudget.fields import Head
from lowpanbudget.layers.internet.coap import message as coap

NODE, ROOT = b"\x00\x17", b"\x00\x01"
ENDS = IPv6Address("fe80::ff:fe00:17"), IPv6Address("fe80::ff:fe00:1")
# RFC 7252 appendix A, figure 16: a GET of "temperature", its header, and a payload behind it
MESSAGE = bytes.fromhex("41017d35 20 bb") + b"temperature" + b"\xff22.3 C"
PORTS = 0xF0B1, 0xF0B2


def datagram(ports: tuple[int, int], data: bytes) -> bytes:
    """By another library, which fills in lengths and checksum."""
    source, destination = map(str, ENDS)
    packet = IPv6(src=source, dst=destination, hlim=64) / UDP(sport=ports[0], dport=ports[1])
    return bytes(packet / Raw(data))


def frame(octets: bytes) -> bytes:
    """A data frame with short addresses (IEEE 802.15.4-2006 clause 7.2.2.1, from memory), without FCS."""
    payload = compress(octets, Env(NODE, ROOT)).octets
    return struct.pack("<HBHHH", 0x8861, 7, 0xABCD, 0x0001, 0x0017) + payload


@pytest.mark.parametrize("key", [PORTS, PORTS[::-1], PORTS[0], PORTS[1]])
def test_a_message_between_named_ports_is_read(key: int | tuple[int, int]) -> None:
    octets = frame(datagram(PORTS, MESSAGE))
    plain, read = (
        Decoder(applications=table).frame(octets, False) for table in (None, {key: "CoAP"})
    )
    assert not [*plain.packet.all(CoapMessage)]
    (message,) = read.packet.all(CoapMessage)
    assert (message.mid, message.token, message.payload) == (0x7D35, b"\x20", b"22.3 C")
    # the spans are those of the message where it stands, and those before it as they were
    at = len(octets) - len(MESSAGE)
    reader = Reader(octets, at)
    coap.decode(reader)
    before = [span for span in plain.spans if span.offset_bits < 8 * at]
    assert [*read.spans] == [*before, *reader.spans]
    assert read.heads[-1] == Head(message, at, len(octets))
    assert read.free[-len(reader.free) :] == tuple(reader.free)
    assert (read.datagram, read.values) == (plain.datagram, plain.values)


@given(st.binary(max_size=24), st.sampled_from(["CoAP", "DTLS"]), st.booleans())
def test_any_octets_are_read_as_between_registered_ports(
    data: bytes, what: str, alone: bool
) -> None:
    """What is said of a payload does not depend on which ports told what it is."""
    port = {"CoAP": 5683, "DTLS": 5684}[what]
    decoder = Decoder(applications={PORTS: what})
    read = []
    for reads, ports in ((Decoder(), (port, port)), (decoder, PORTS)):
        octets = datagram(ports, data)
        one = reads.datagram(octets) if alone else reads.frame(frame(octets), False)
        at = len(one.octets) - len(data)
        behind = [
            span._replace(offset_bits=span.offset_bits - 8 * at)
            for span in one.spans
            if span.offset_bits >= 8 * at
        ]
        noticed = sorted((note.name, note.text, note.offset - at) for note in one.notices)
        read.append((behind, [head.value for head in one.heads if head.start >= at], noticed))
    assert read[0] == read[1]


def test_ports_that_nobody_names_tell_what_is_registered() -> None:
    octets = datagram((5683, 0xF0B2), MESSAGE)
    for table in (None, {(1, 2): "DTLS"}):
        assert [*Decoder(applications=table).datagram(octets).packet.all(CoapMessage)]
    assert [*decode_datagram(octets).packet.all(CoapMessage)]
    # a port that is registered is what it is, whatever is said of the other one
    read = Decoder(applications={0xF0B2: "DTLS"}).datagram(octets)
    assert read.spans == decode_datagram(octets).spans


@pytest.mark.parametrize(
    "table",
    [5, {"coap": "CoAP"}, {70000: "CoAP"}, {5: "coap"}, {(1, 2, 3): "CoAP"}, {(1, True): "DTLS"}],
)
def test_what_is_no_table_is_refused(table: object) -> None:
    with pytest.raises(RequestError) as raised:
        Decoder(applications=table)  # type: ignore[arg-type]
    assert "applications" in raised.value.message
    assert 'applications={61616: "CoAP"' in raised.value.hint
