"""Frames of the link: where their headers' octets stand, and who says that a long one was carried."""

import pytest
from findings import air
from findings.air import FAR_NODE, FAR_ROOT, Capture
from findings.judge import about

from lowpanbudget import Element, encode_frame
from lowpanbudget.layers.link.auxiliary import Security

RESERVED, LONG = "reserved-bits-set", "frame-too-long"


@pytest.mark.parametrize("bit", [0, 7])
@pytest.mark.parametrize("contents", [(), (b"\1\2\3\4",), (bytes([0xFF] * 4), b"\x80\x80\x80\x80")])
def test_the_security_control_stands_before_the_elements(
    contents: tuple[bytes, ...], bit: int
) -> None:
    """IEEE 802.15.4-2015 figure 7-1, from memory: behind the addresses the auxiliary header, then header IEs.

    Frame control 2, number 1, PAN ID 2, two addresses of 8: it stands at octet 21. Bit 7 of it is reserved there.
    """
    links = (FAR_NODE, FAR_ROOT)
    ies = [Element(0x1A, one) for one in contents]
    header = air.mac(
        1,
        links,
        version=2,
        pan_id_compression=False,
        security=Security(5, 1, 7, key_index=1),
        # 0x7f: header termination 2, the payload follows
        header_ies=(*ies, Element(0x7F)) if ies else (),
    )
    octets = bytearray(encode_frame(header, air.payload(air.datagram(), links), key=air.KEY).octets)
    assert octets[21] == 0x0D  # level 5, key identifier mode 1
    octets[21] |= 0 if not bit else 1 << bit
    told = about(RESERVED, Capture([air.mended(bytes(octets))]).followed())
    causes = ["bit 7 of the security control is reserved in version 2, and it is set"]
    assert [one.cause for one in told] == (causes if bit else [])


def sized(sequence: int, *, ack_request: bool = True) -> bytes:
    """128 octets: 9 of MAC header, 2 of check sequence, the rest of another protocol."""
    return air.encoded(air.mac(sequence, ack_request=ack_request), bytes([8]) * 117)


def acknowledgement(sequence: int, *, damaged: bool = False) -> bytes:
    """Frame type 2 (IEEE 802.15.4-2015 clause 7.3.3, from memory)."""
    octets = air.mended(bytes([2, 0, sequence, 0, 0]))
    return octets[:-1] + bytes([octets[-1] ^ damaged])


DATA = air.frame(air.datagram(), 1)


@pytest.mark.parametrize(
    ("behind", "told"),
    [
        ([], True),
        ([acknowledgement(1)], False),
        ([acknowledgement(2)], True),
        ([acknowledgement(1, damaged=True)], True),
        ([DATA], True),  # of the same number, and none
        ([air.frame(air.datagram(), 9), acknowledgement(1)], True),  # of another frame
    ],
)
def test_who_acknowledges_has_received_all_of_it(behind: list[bytes], *, told: bool) -> None:
    capture = Capture([sized(1), *behind])
    assert bool(about(LONG, capture.followed())) is told


def test_what_asks_for_no_acknowledgement_has_none() -> None:
    capture = Capture([sized(1, ack_request=False), acknowledgement(1)])
    assert about(LONG, capture.followed())


def test_version_1_that_names_its_pan_by_the_rule_of_version_2() -> None:
    """With two extended addresses and no compression version 2 has the destination's PAN ID alone.

    IEEE 802.15.4-2015 table 7-2, from memory; in version 1 the source's stands before the source (2006: 7.2.1.1.5).
    """
    links = (FAR_NODE, FAR_ROOT)
    header = air.mac(1, links, version=2, pan_id_compression=False)
    octets = air.encoded(header, air.payload(air.datagram(links=links), links))
    assert octets[1] >> 4 & 3 == 2
    as_first = air.mended(octets[:1] + bytes([octets[1] ^ 3 << 4]) + octets[2:])
    assert not about("pan-id-rule-of-other-version", Capture([octets]).followed())
    (told,) = about("pan-id-rule-of-other-version", Capture([as_first]).followed())
    assert told.cause == (
        "version 1 cannot be read by its own rule; by that of version 2 it comes from "
        "02:5e:10:00:00:00:00:17 in PAN 0xabcd"
    )
