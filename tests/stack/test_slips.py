"""What a caller gives that is nearly right, and what he is told to give instead; frames are made by hand."""

import pytest
from findings import air

from lowpanbudget import WireError, decompress

HEAD = "418801341a01001100"  # data, PAN ID compression, short addresses; number 1; PAN 0x1a34
FRAMES = {
    "7a33003c000104": "7a33",  # IPHC
    "41" + air.datagram().hex(): "4160",  # as it is
    "c0280001" + "7a33003c000104": "c028",  # a first fragment
}


@pytest.mark.parametrize("payload", FRAMES)
def test_a_whole_frame_is_told_from_a_payload(payload: str) -> None:
    with pytest.raises(WireError) as caught:
        decompress(bytes.fromhex(HEAD + payload))
    assert f"begins with {FRAMES[payload]} at octet 9" in caught.value.hint
    assert "version is 0x8" in caught.value.message


@pytest.mark.parametrize("octets", ["418801", HEAD, HEAD + "0102", "7a33"])
def test_what_is_no_frame_around_6lowpan_is_not_told_as_one(octets: str) -> None:
    with pytest.raises(WireError) as caught:
        decompress(bytes.fromhex(octets))
    assert "whole IEEE 802.15.4 frame" not in caught.value.hint
