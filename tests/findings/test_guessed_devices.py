"""An identifier that looks like one of an EUI-64 is a guess (RFC 7136, from memory): it proves no key wrong.

An identifier made of an EUI-64 has its universal/local bit inverted (RFC 4291 appendix A), and no device a group's
address (IEEE 802, from memory).
"""

from ipaddress import IPv6Address

import pytest
from findings import air
from findings.air import KEY, NODE, ROOT, Capture

from lowpanbudget import encode_frame
from lowpanbudget.findings.finding import Certainty, Finding, Severity
from lowpanbudget.layers.link.auxiliary import Security

OWN = bytes.fromhex("10b3a2fffe000017")  # of the node, and nowhere on the air
OPAQUE, OTHER = "fe80::a2b2:c3d4:e5f6:718", "fe80::2a2:c3d4:e5f6:719"
GROUP = "fe80::3a2:c3d4:e5f6:719"


def in_the_clear(address: str, sequence: int) -> bytes:
    """A datagram from a short address whose source is link-local and goes in line."""
    root = str(air.address("fe80::", ROOT))
    ends = IPv6Address(address), IPv6Address(root)
    return air.frame(air.ip(*ends, 17, air.udp(b"data", *ends)), sequence)


def sealed(sequence: int) -> bytes:
    """A frame from the short address, under a nonce of the node's own EUI-64."""
    header = air.mac(sequence, (NODE, ROOT), security=Security(5, 1, 100 + sequence, key_index=1))
    packed = air.payload(air.datagram())
    return encode_frame(header, packed, key=KEY, devices={0x17: OWN}).octets


def heard(*frames: bytes, devices: dict[int, bytes] | None = None) -> list[Finding]:
    return Capture([*frames], keys=(KEY,), devices=devices or {}).fed()


def test_a_key_is_not_wrong_because_an_identifier_is_no_eui64() -> None:
    (found,) = heard(in_the_clear(OPAQUE, 1), sealed(2), sealed(3))
    assert (found.name, found.severity, found.certainty) == (
        "integrity-code-wrong", Severity.REMARK, Certainty.OPEN,
    )  # fmt: skip
    assert (
        "EUI-64 a0:b2:c3:d4:e5:f6:07:18 by its link-local source address in frame 1"
        in found.evidence[0]
    )
    assert "[devices]" in found.advice


@pytest.mark.parametrize("addresses", [(OPAQUE,), (OPAQUE, OTHER), (GROUP, OPAQUE)])
def test_what_was_given_stays_beside_any_identifier(addresses: tuple[str, ...]) -> None:
    frames = [in_the_clear(one, at) for at, one in enumerate(addresses, 1)]
    assert heard(*frames, sealed(5), sealed(6), devices={0x17: OWN}) == []


def test_two_identifiers_are_of_one_node() -> None:
    assert heard(in_the_clear(OPAQUE, 1), in_the_clear(OTHER, 2)) == []


def test_an_identifier_that_opens_is_kept() -> None:
    """RFC 4291 appendix A: of 10:b3:a2:ff:fe:00:00:17 it is 12b3:a2ff:fe00:17."""
    made_of = in_the_clear("fe80::12b3:a2ff:fe00:17", 2)
    assert (
        heard(in_the_clear(OPAQUE, 1), made_of, sealed(3), in_the_clear(OTHER, 4), sealed(5)) == []
    )


def test_of_a_group_there_is_no_device() -> None:
    (found,) = heard(in_the_clear(GROUP, 1), sealed(2))
    assert found.name == "extended-address-unknown"


def test_a_key_that_opens_nothing_at_all_is_told_of_guessed_senders_too() -> None:
    others = [
        air.frame(air.ip(*ends, 17, air.udp(b"data", *ends)), at, (node, ROOT))
        for at, node in enumerate((b"\0\x18", b"\0\x19"), 1)
        for ends in [(IPv6Address(f"fe80::a2b2:c3d4:e5f6:{at}"), air.address("fe80::", ROOT))]
    ]
    wrong = []
    for at in range(3, 9):
        links = (b"\0\x18" if at % 2 else b"\0\x19", ROOT)
        header = air.mac(at, links, security=Security(5, 1, 100 + at, key_index=1))
        packed = air.payload(air.datagram(links=links), links)
        devices = {0x18: OWN, 0x19: OWN}
        wrong.append(encode_frame(header, packed, key=KEY[::-1], devices=devices).octets)
    (found,) = heard(*others, *wrong)
    assert (found.name, found.severity) == ("integrity-code-wrong", Severity.FAILURE)
    assert "none of 6 frames of 2 nodes" in found.cause
