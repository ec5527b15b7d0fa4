"""Frames of security level 4 under keys that nothing proves: octets of chance are evidence of nothing.

IEEE 802.15.4-2015 table 9-6 (from memory): level 4 encrypts and has no integrity code. A wrong key gives octets of
chance; of 200 frames of those some read as fragments, as reserved dispatch octets (RFC 4944 section 5.1) or cut short.
"""

import pytest
from contract.air import udp_datagram
from findings import air
from findings.air import Capture

from lowpanbudget import Env, split
from lowpanbudget.findings.finding import Severity

WRONG = bytes(range(0x30, 0x40))
ALONE = ["encrypted-without-integrity"]


def readings(count: int = 200) -> list[bytes | tuple[float, bytes]]:
    return [air.secured(bytes([n]) * 6, n & 0xFF, n + 1, level=4) for n in range(count)]


@pytest.mark.parametrize("keys", [(WRONG,), (WRONG, bytes(16))])
def test_noise_of_wrong_keys_blames_nobody(keys: tuple[bytes, ...]) -> None:
    found = Capture(readings(), keys=keys).followed()
    assert air.heavy(found) == ALONE
    assert "nothing proves the key" in found[0].evidence[0]
    assert not any("dispatch" in one.cause or "fragment" in one.cause for one in found)


def test_what_stops_reading_under_the_right_key_is_told_beside() -> None:
    """A context that nobody gave: RFC 6282 section 3.1.2."""
    (told,) = Capture(readings(3), contexts={}, keys=(air.KEY,)).followed()
    (evidence,) = told.evidence
    assert "not judged, as nothing proves the key" in evidence
    assert "context 0 is not known" in evidence


@pytest.mark.parametrize("keys", [(air.KEY,), (WRONG, air.KEY)])
def test_what_a_proven_key_opens_is_judged_as_it_is_at_other_levels(
    keys: tuple[bytes, ...],
) -> None:
    found = Capture(readings(), keys=keys).followed()
    (told,) = [one for one in found if one.name == ALONE[0]]
    assert told.evidence == ()
    others = Capture([air.secured(bytes([n]) * 6, n, n + 1) for n in range(200)], keys=keys)
    expected = others.followed()
    assert [(o.name, o.cause) for o in found if o is not told] == [
        (o.name, o.cause) for o in expected
    ]


def test_a_datagram_whose_checksum_is_right_proves_the_key_of_its_last_fragment() -> None:
    """RFC 4944 section 5.3: the checksum is that of the datagram. RFC 7252 section 4.3: "Reset messages are empty"."""
    links = air.FAR_NODE, air.FAR_ROOT
    source, destination = (air.address(air.PREFIX, link) for link in links)
    message = bytes.fromhex("70 02 0001 ff") + bytes(145)  # RST, POST
    sent = udp_datagram(source, destination, message, (5683, 5683))
    parts = split(sent, Env(*links, contexts=air.CONTEXTS), room=80, tag=7)
    for level in (4, 5):
        frames: list[bytes | tuple[float, bytes]] = [
            air.secured(b"", n, n + 1, level, packed=part) for n, part in enumerate(parts)
        ]
        found = Capture(frames, keys=(air.KEY,)).followed()
        assert "coap-message-forbidden" in air.heavy(found)
        alone = Capture(frames[:-1], keys=(air.KEY,)).followed()
        assert not any(one.severity is Severity.FAILURE for one in alone) or level == 5
