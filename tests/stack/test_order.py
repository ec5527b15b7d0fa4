"""LoWPAN headers in order: mesh, broadcast, fragment (RFC 4944 section 5); those of RFC 8931 are fragments."""

import pytest

from lowpanbudget import decode_frame

# a data frame between short addresses; a mesh header of one hop, broadcast header 7
LINK = bytes.fromhex("41 88 01 cd ab 02 00 01 00")
MESH, BROADCAST = "b1 00 05 00 06", "50 07"
LAST = {
    "first fragment": "c0 50 00 07 7a 33 3b 01 02 03 04 05",
    "next fragment": "e0 50 00 07 05 01 02 03 04 05 06 07 08",
    "recoverable fragment": "e8 07 00 0a 00 50 7a 33 3b 01 02 03 04 05 06 07",
    "acknowledgement of them": "ea 07 80 00 00 00",
}


@pytest.mark.parametrize("last", LAST)
def test_fragments_stand_behind_mesh_and_broadcast_headers(last: str) -> None:
    for before in ((), (MESH,), (BROADCAST,), (MESH, BROADCAST)):
        frame = decode_frame(LINK + bytes.fromhex(" ".join((*before, LAST[last]))), fcs=False)
        assert frame.fault is None, (before, frame.fault)


@pytest.mark.parametrize("wrong", [(BROADCAST, MESH), (MESH, MESH), (BROADCAST, BROADCAST)])
def test_no_other_order(wrong: tuple[str, str]) -> None:
    frame = decode_frame(
        LINK + bytes.fromhex(" ".join((*wrong, LAST["first fragment"]))), fcs=False
    )
    assert "must precede" in str(frame.fault)
