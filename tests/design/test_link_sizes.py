"""The room of a link is what a sealed frame leaves: it is asked without a cipher, and must be the same."""

import pytest

from lowpanbudget.design.link import Link
from lowpanbudget.layers.link.auxiliary import LEVELS, Security

SHORT, EXTENDED = b"\x00\x17", bytes.fromhex("0200000000000017")


@pytest.mark.parametrize("level", range(1, len(LEVELS)))
@pytest.mark.parametrize("version", [1, 2])
def test_the_room_is_what_a_sealed_frame_leaves(level: int, version: int) -> None:
    """With so many octets a frame sealed by the cipher library is as large as the PHY allows, 127 octets."""
    link = Link(version=version, security=Security(level, 1, frame_counter=0, key_index=1))
    for source, destination in ((SHORT, SHORT), (EXTENDED, EXTENDED)):
        room = link.room(source, destination)
        assert len(link.frame(source, destination, bytes(room)).octets) == 127
