"""What DTLS with generic header compression adds to a message, by whole datagrams that were really compressed.

Source: draft-ietf-iotops-security-protocol-comparison (2025-01), table of overhead in octets: plaintext of 6, tag of 8.
The rows without RFC 7400 are in ``tests/layers/internet/test_dtls_seal.py`` and ``test_oscore.py``.
"""

import pytest

from lowpanbudget import Env, compress, decompress
from lowpanbudget.bits import Writer, tiles
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.dtls.seal import seal_1_2, seal_1_3
from lowpanbudget.layers.internet.dtls.suites import SUITES, RecordKeys

ENV = Env(b"\x00\x01", b"\x00\x02", contexts={0: "2001:db8::/64"})
OLD, NEW = SUITES["TLS_PSK_WITH_AES_128_CCM_8"], SUITES["TLS_AES_128_CCM_8_SHA256"]
PLAIN = b"22.3 C"


def datagram(payload: bytes) -> bytes:
    """Return a UDP datagram to port 5684 between 2001:db8::ff:fe00:1 and :2; its checksum is not what is weighed."""
    udp = bytes.fromhex("f0b1 1634") + (8 + len(payload)).to_bytes(2, "big") + b"\x12\x34" + payload
    side = bytes.fromhex("20010db800000000000000fffe0000")
    head = bytes([0x60, 0, 0, 0]) + len(udp).to_bytes(2, "big") + bytes([ipv6.UDP, 64])
    return head + side + b"\x01" + side + b"\x02" + udp


def sealed_1_2(sequence: int, cid: bytes) -> bytes:
    writer = Writer()
    seal_1_2(writer, PLAIN, RecordKeys.stand_in(OLD), OLD, epoch=1, sequence=sequence, cid=cid)
    return bytes(writer.data)


def sealed_1_3(sequence: int, cid: bytes, content: bytes = PLAIN) -> bytes:
    writer = Writer()
    seal_1_3(writer, content, RecordKeys.stand_in(NEW), NEW, epoch=3, sequence=sequence, cid=cid)
    return bytes(writer.data)


def added(record: bytes, content: bytes = PLAIN) -> int:
    """Return the octets that the record costs in a 6LoWPAN payload beyond its content alone."""
    packed = compress(datagram(record), ENV, ghc=True)
    assert tiles(packed.spans, len(packed.octets) * 8)
    assert decompress(packed.octets, ENV).octets == datagram(record)
    return len(packed.octets) - len(compress(datagram(content), ENV).octets)


@pytest.mark.parametrize(
    ("sequence", "cid", "draft", "more"),
    [
        (0x05, "", 16, 0),
        (0x1005, "", 16, 0),
        # The draft keeps 16 for every sequence number. Its third octet is no zero of the static dictionary (RFC 7400
        # figure 1) any more: it goes in a literal, one octet longer.
        (0x100005, "", 16, 1),
        # The draft writes content type 17 before a connection ID. RFC 9146 section 4 demands 25, which the static
        # dictionary has not, and the real type inside: one octet for each.
        (0x05, "42", 17, 2),
        (0x05, "4002", 18, 2),
    ],
)
def test_dtls_1_2_with_ghc(sequence: int, cid: str, draft: int, more: int) -> None:
    assert added(sealed_1_2(sequence, bytes.fromhex(cid))) == draft + more


@pytest.mark.parametrize(("cid", "draft"), [("42", 17), ("4002", 18)])
def test_dtls_1_2_with_a_connection_id_as_the_draft_writes_it(cid: str, draft: int) -> None:
    """The old content type, nothing inside: no record of RFC 9146, but it tells where the draft's figure comes from."""
    plain = sealed_1_2(0x05, b"")
    record = plain[:11] + bytes.fromhex(cid) + plain[11:]
    assert record[:11].hex() == "17fefd0001000000000005"
    assert added(record) == draft


@pytest.mark.parametrize(
    ("sequence", "cid", "draft"),
    [(0x05, "", 12), (0x1005, "", 12), (0x100005, "", 12), (0x05, "42", 13), (0x05, "4002", 14)],
)
def test_dtls_1_3_under_ghc(sequence: int, cid: str, draft: int) -> None:
    """The table is met by byte code of one literal: one octet more than the record, which nothing shortens.

    A ciphertext has at least 16 octets (RFC 9147 section 4.2.3), and 6 + 1 + 8 are 15: a plaintext of 6 is padded by
    one that the draft leaves out; one of 7 is not. A compressor that may choose does not use byte code here at all, so
    what goes on the air is the figure without it: one less.
    """
    for content, padding in ((PLAIN, 1), (b"22.35 C", 0)):
        record = sealed_1_3(sequence, bytes.fromhex(cid), content)
        assert added(record, content) == draft - 1 + padding
        # 0kkkkkkk of RFC 7400 table 1, behind UDP GHC of section 3.1 with ports and checksum in line
        literal = bytes([len(record)]) + record
        assert len(literal) - len(content) == draft + padding
        packed = compress(datagram(record), ENV)
        head = sum(span.bits for span in packed.spans if span.layer == "IPHC") // 8
        wire = packed.octets[:head] + bytes.fromhex("d0 f0b1 1634 1234") + literal
        assert decompress(wire, ENV).octets == datagram(record)
