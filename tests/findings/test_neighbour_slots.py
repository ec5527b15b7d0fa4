"""Frames that open with another slot number than the capture has: nonces of IEEE 802.15.4-2015 9.3.2, from memory."""

from collections.abc import Callable
from unittest.mock import patch

from cryptography.hazmat.primitives.ciphers.aead import AESCCM
from findings import air
from findings.air import FAR_NODE, FAR_ROOT, Capture, heavy
from findings.cases_unsealing import by_turns

from lowpanbudget import audit, encode_frame
from lowpanbudget.findings.finding import Severity
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.stack.decoder import Decoder

_NAME = "02:5e:10:00:00:00:00:17"


def sealed_frame(node: int, number: int, slot: int, key: bytes = air.KEY) -> bytes:
    """A frame of the node or of the root to the other; its nonce is the sender's EUI-64 and the slot number."""
    links = (FAR_NODE, FAR_ROOT) if node else (FAR_ROOT, FAR_NODE)
    security = Security(5, 1, None, key_index=1)
    mac = air.mac(number, links, version=2, destination_pan=None, security=security)
    packed = air.payload(air.datagram(bytes([number]) * 4, links=links), links)
    return encode_frame(mac, packed, key=key, asn=slot).octets


def _sealed(sealed: Callable[[int, int], int], turns: int = 6, key: bytes = air.KEY) -> Capture:
    """Frames of both in turn, one each 100 slots, sealed with the slot number that a node has in a slot."""
    slots = [5000 + 100 * turn for turn in range(2 * turns)]
    frames = [
        sealed_frame(turn % 2, turn + 1, sealed(turn % 2, slot), key)
        for turn, slot in enumerate(slots)
    ]
    return Capture([*frames], keys=(air.KEY,), slots=tuple(slots))


def test_a_frame_of_these_tests_is_sealed_with_its_slot_number() -> None:
    octets, last = sealed_frame(1, 2, 5101), 6  # code of 4 octets, check sequence of 2
    head = (
        len(octets)
        - last
        - len(
            air.payload(air.datagram(b"\2\2\2\2", links=(FAR_NODE, FAR_ROOT)), (FAR_NODE, FAR_ROOT))
        )
    )
    nonce = FAR_NODE + (5101).to_bytes(5, "big")
    opened = AESCCM(air.KEY, tag_length=4).decrypt(nonce, octets[head:-2], octets[:head])
    assert opened.endswith(b"\2\2\2\2")


def test_the_slot_behind_names_the_cause_where_others_are_right() -> None:
    (finding,) = _sealed(lambda node, slot: slot + node).followed()
    assert (finding.name, finding.severity) == ("integrity-code-wrong", Severity.FAILURE)
    assert finding.subject == _NAME
    assert finding.cause.endswith("and open with the one that is 1 higher")
    # the second, fourth ... of twelve
    assert (finding.frames, finding.count) == ((2, 4, 6, 8, 10, 12), 6)
    assert finding.evidence[1] == "6 frames of other nodes open with that of the capture"
    assert finding.evidence[2] == "frame 2: 5100 in the capture, opens with 5101"


def test_where_all_are_off_alike_the_receiver_may_be() -> None:
    findings = _sealed(lambda _, slot: slot - 2).followed()
    assert heavy(findings) == []
    assert [finding.name for finding in findings] == ["integrity-code-wrong"] * len(findings)
    assert all("2 lower" in finding.cause for finding in findings)


def test_a_receiver_that_stumbles_once_blames_nobody() -> None:
    findings = _sealed(lambda _, slot: slot + (slot == 5500)).followed()
    assert heavy(findings) == []


def test_slots_further_away_are_not_tried() -> None:
    (finding,) = _sealed(lambda node, slot: slot + 6 * node).followed()
    assert finding.cause == "frames fail under the key that they name"


def test_of_a_node_with_another_key_few_frames_are_tried() -> None:
    """Three frames of each node, each with ten other slots; all are decoded once more for themselves."""
    capture = _sealed(lambda _, slot: slot, turns=40, key=bytes(16))
    with patch.object(Decoder, "frame", autospec=True, side_effect=Decoder.frame) as frame:
        (finding,) = capture.followed()
    assert finding.count == 80
    assert frame.call_count <= 2 * 80 + 2 * 3 * 10


def test_a_key_file_that_does_not_fit_is_told_of_the_node_that_was_asked_for() -> None:
    """What the end says of all nodes changes no finding of those that nobody asked for: there is none."""
    others, arisen = by_turns(), list[tuple[int, str]]()
    links = bytes.fromhex("025e100000000042"), bytes.fromhex("025e100000000043")
    header = air.mac(9, links, security=Security(5, 1, 9, key_index=1))
    packed = air.payload(air.datagram(links=links), links)
    sealed = encode_frame(header, packed, key=bytes(16)).octets
    found = audit(
        [*Capture([*others.air, sealed]).records()],
        keys=others.keys,
        contexts=others.contexts,
        node="02:5e:10:00:00:00:00:42",
        tell=lambda number, finding: arisen.append((number, finding.cause)),
    )
    (finding,) = found.findings
    assert (finding.subject, finding.count) == ("02:5e:10:00:00:00:00:42", 1)
    assert finding.cause.startswith("none of 13 frames of 3 nodes")
    assert arisen == [(13, "frames fail under the key that they name")]
