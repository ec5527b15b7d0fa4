"""Slot numbers that a capture does not tell, reckoned from beacons and times (IEEE 802.15.4-2015, from memory)."""

import struct
from unittest.mock import patch

from cryptography.hazmat.primitives.ciphers.aead import AESCCM
from findings.air import FAR_NODE, FAR_ROOT, KEY, PAN, Capture, mended, names
from findings.cases_link import beacon
from findings.test_neighbour_slots import sealed_frame

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.stack.decoder import Decoder

_START = 5000


def _told(slot_s: float, *, beacons: int = 2, late: int = 0) -> Capture:
    """Beacons each 200 slots, and frames of the node 77 slots behind each, sealed with the number of their slot."""
    air: list[bytes | tuple[float, bytes]] = []
    for turn in range(4):
        slot = _START + 200 * turn
        if turn < beacons:
            air.append((1 + 200 * turn * slot_s, beacon(turn, slot)))
        # 0.4 of a slot later, as an acknowledgement or a time of the end of a frame may be
        at = 1 + (200 * turn + 77.4) * slot_s
        air.append((at, sealed_frame(1, turn + 1, slot + 77 + late)))
    return Capture(air, keys=(KEY,))


def _opened(capture: Capture) -> list[Sighting]:
    trace = Trace(contexts=capture.contexts, keys=capture.keys, fcs=2)
    return [one for one in trace.follow(capture.records()) if one.verified]


def test_frames_behind_a_beacon_are_opened_with_the_slot_that_their_time_tells() -> None:
    opened = _opened(_told(0.01))
    # 77 slots behind 5000, 5200, 5400 and 5600
    assert [one.slot for one in opened] == [5077, 5277, 5477, 5677]
    assert all(
        one.datagram is not None and one.datagram.endswith(bytes([n]) * 4)
        for n, one in enumerate(opened, 1)
    )
    assert [notice.name for notice in opened[1].frame.notices] == ["slot-reckoned"]  # type: ignore[union-attr]
    assert opened[0].body.asn is None


def test_an_audit_says_once_that_they_were_reckoned() -> None:
    (finding,) = _told(0.01).followed()
    assert (finding.name, finding.subject, finding.has_weight) == (
        "slot-number-unknown",
        "the capture",
        False,
    )
    assert "reckoned from beacons and times" in finding.cause
    assert (finding.frames, finding.count) == ((2,), 1)


def test_two_frames_that_open_with_one_reckoned_number_have_one_nonce() -> None:
    told = _told(0.01)
    # 2 ms behind the first, in its slot of 10 ms: other octets under the same number
    again = (1 + 77.6 * 0.01, sealed_frame(1, 9, _START + 77))
    capture = Capture([*told.air[:2], again, *told.air[2:]], keys=(KEY,))
    (finding,) = (one for one in capture.followed() if one.name == "frame-counter-used-twice")
    assert (finding.severity.word, finding.frames) == ("failure", (2, 3))
    assert "both open with the slot number 5077" in finding.cause
    assert "frame-counter-used-twice" not in names(told.followed())


def test_how_long_a_slot_is_shows_in_two_beacons() -> None:
    # slots of 15 ms: 77 of 10 ms behind the first beacon end elsewhere, behind the second it is known
    assert [one.slot for one in _opened(_told(0.015))] == [5277, 5477, 5677]


def test_without_a_beacon_nothing_is_opened() -> None:
    assert _opened(_told(0.01, beacons=0)) == []
    assert "slot-number-unknown" in names(_told(0.01, beacons=0).followed())


def test_a_frame_of_another_slot_stays_sealed() -> None:
    assert _opened(_told(0.01, late=3)) == []


def test_a_node_whose_beacons_are_off_hides_nothing() -> None:
    # its beacons tell 100 more, one before each but the first frame
    capture = _told(0.01, beacons=4)
    off = [
        (1 + (200 * turn + 50) * 0.01, beacon(9, _START + 200 * turn + 150, FAR_NODE))
        for turn in range(1, 4)
    ]
    opened = _opened(Capture(sorted([*capture.timed(), *off]), keys=(KEY,)))
    assert [one.slot for one in opened] == [5077, 5277, 5477, 5677]


def _sealed(number: int, slot: int, told: int, source: bytes = FAR_ROOT) -> bytes:
    """A beacon in the clear with a code of 4 octets (level 1), made with the number of its slot, that tells another.

    By hand: the bit of security, and behind the addresses the security control (level 1, key identifier mode 1, no
    frame counter, slot number in the nonce) and key index 1 (IEEE 802.15.4-2015 clause 9.4.2, from memory).
    """
    plain = beacon(number, told, source)[:-2]
    front = bytes([plain[0] | 1 << 3]) + plain[1:15] + bytes([1 | 1 << 3 | 3 << 5, 1]) + plain[15:]
    code = AESCCM(KEY, tag_length=4).encrypt(source + slot.to_bytes(5, "big"), b"", front)
    return mended(front + code + bytes(2))


def _beacons_of_two(ahead: int) -> Capture:
    """Beacons of the root each 200 slots, and of the node 50 behind, which tell of another slot than theirs."""
    air: list[tuple[float, bytes]] = []
    for turn in range(8):
        slot, at = _START + 200 * turn, 1 + 2.0 * turn
        air.append((at, _sealed(turn, slot, slot)))
        air.append((at + 0.5, _sealed(turn, slot + 50, slot + 50 + ahead, FAR_NODE)))
    return Capture([*air], keys=(KEY,))


def test_a_beacon_that_tells_another_slot_opens_with_its_own() -> None:
    """All but the first of them may be opened as frames are: slots are counted by the root."""
    for ahead in (0, 7, -4, 777):
        opened = _opened(_beacons_of_two(ahead))
        assert [one.slot for one in opened[1::2]] == [5050 + 200 * turn for turn in range(8)]
        named = {one.subject for one in _beacons_of_two(ahead).followed() if "unknown" in one.name}
        assert named == {"the capture"}


def test_such_a_beacon_proves_whose_number_is_off() -> None:
    """Two nodes, of which the code proves the slot of each: it is the second, in frames 2, 4 ... but for the last."""
    for ahead, how in ((7, "7 slots ahead"), (-4, "4 slots behind"), (777, "777 slots ahead")):
        (finding,) = [one for one in _beacons_of_two(ahead).followed() if one.has_weight]
        assert (finding.name, finding.subject) == (
            "slot-numbers-disagree",
            "02:5e:10:00:00:00:00:17",
        )
        assert how in finding.cause
        assert finding.evidence[0] == f"frame 2: ASN {5050 + ahead}, sent in slot 5050"
        assert (finding.frames, finding.count) == ((2, 4, 6, 8, 10, 12, 14), 7)


def _acknowledgement(slot: int) -> bytes:
    """An enhanced acknowledgement without source address, of the root to the node, for a frame that nobody heard.

    By hand: frame control (acknowledgement, secured, extended destination, version 2), number, PAN ID, destination,
    security control as of the beacons here but for level 5, and key index 1.
    """
    header = struct.pack("<HBH", 0x2C0A, 9, PAN) + FAR_NODE[::-1]
    header += bytes([5 | 1 << 3 | 3 << 5, 1])
    code = AESCCM(KEY, tag_length=4).encrypt(FAR_ROOT + slot.to_bytes(5, "big"), b"", header)
    return mended(header + code + bytes(2))


def test_of_an_acknowledgement_without_its_frame_the_sender_is_missing_where_slots_are_known() -> (
    None
):
    told = (1.0, _sealed(0, _START, _START))
    for air, name in (
        ([told, (1.5, _acknowledgement(_START + 50))], "extended-address-unknown"),
        ([(1.5, _acknowledgement(_START + 50))], "slot-number-unknown"),
    ):
        found = Capture([*air], keys=(KEY,)).followed()
        (finding,) = [one for one in found if one.subject == "an unnamed node"]
        assert (finding.name, finding.frames) == (name, (len(air),))


def test_under_a_wrong_key_the_tries_are_few() -> None:
    """64 frames with three slots each, in the fast way and the full one; then each with one."""
    slots = [_START + 200 * turn for turn in range(1, 201)]
    air = [
        (1.0, beacon(0, _START)),
        *((1 + (slot - _START) * 0.01, sealed_frame(1, 1, slot, bytes(16))) for slot in slots),
    ]
    with patch.object(Decoder, "frame", autospec=True, side_effect=Decoder.frame) as frame:
        assert _opened(Capture([*air], keys=(KEY,))) == []
    assert frame.call_count <= 201 + 64 * 3 + 136 + 64  # and those that look for a check sequence
