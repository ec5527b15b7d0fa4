"""``compress`` and ``decompress``: what they report beside the octets."""

import pytest

from lowpanbudget import Env, Malformed, RequestError, compress, decompress
from lowpanbudget.bits import tiles

ENV = Env(b"\x00\x01", b"\x00\x02")
# by hand, RFC 6282 figures 2 and 14: link-local, hop limit 64, ports 0xf0b1 and 0xf0b2
WIRE = bytes.fromhex("7e33 f3 12 23c7 68656c6c6f")


def test_what_a_result_says() -> None:
    back = decompress(WIRE, ENV)
    packed = compress(back.octets, ENV)
    assert packed.octets == WIRE
    assert (packed.header_octets, packed.covers) == (6, 48)
    assert tiles(packed.spans, len(WIRE) * 8)
    assert tiles(back.spans, len(WIRE) * 8)
    assert len(back.layers) >= 2


def test_a_restored_checksum_is_noted() -> None:
    """RFC 6282 section 4.3.2."""
    notices = {n.name: n for n in decompress(bytes.fromhex("7e33 f7 12 68656c6c6f"), ENV).notices}
    assert "6282" in str(notices["udp-checksum-elided"])


def test_a_fragment_is_no_datagram() -> None:
    with pytest.raises(Malformed, match="fragment") as caught:
        decompress(bytes.fromhex("e0640001 0a 0000000000000000"), ENV)
    assert "Reassembler" in caught.value.hint


def test_without_surroundings() -> None:
    """No link addresses, no contexts: everything that depends on them goes in line."""
    datagram = decompress(WIRE, ENV).octets
    packed = compress(datagram)
    assert len(packed.octets) == len(WIRE) + 2 + 2  # two identifiers of 0000:00ff:fe00:XXXX
    assert decompress(packed.octets).octets == datagram


@pytest.mark.parametrize("octets", [None, "7e33", 7])
def test_no_octets(octets: object) -> None:
    with pytest.raises(RequestError, match="octets"):
        compress(octets)
