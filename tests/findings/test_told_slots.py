"""Slot numbers in beacons beside those of the capture (IEEE 802.15.4-2015 7.4.4.2, from memory), counted by hand."""

from collections.abc import Callable

from findings.air import FAR_NODE, FAR_ROOT, Capture, heavy
from findings.cases_link import beacon

from lowpanbudget.findings.finding import Severity

_THIRD = bytes.fromhex("025e100000000042")
_NODES = (FAR_ROOT, FAR_NODE, _THIRD, bytes.fromhex("025e100000000043"))
_NAMES = [":".join(f"{octet:02x}" for octet in node) for node in _NODES]


def _told(
    told: Callable[[int, int], int], slots: Callable[[int], int] = lambda slot: slot, turns: int = 5
) -> Capture:
    """Beacons of three nodes in turn, one each 100 slots: what a node tells in a slot, and what the capture has."""
    sent = [(turn % 3, 5000 + 100 * turn) for turn in range(3 * turns)]
    frames = [
        beacon(turn, told(node, slot), _NODES[node]) for turn, (node, slot) in enumerate(sent)
    ]
    return Capture([*frames], slots=tuple(slots(slot) for _, slot in sent))


def test_a_node_that_is_one_slot_ahead_is_named() -> None:
    (finding,) = _told(lambda node, slot: slot + (node == 1)).followed()
    assert (finding.name, finding.subject) == ("slot-numbers-disagree", _NAMES[1])
    assert "1 slot ahead" in finding.cause
    # the second of three: frames 2, 5, 8, 11 and 14, the first of them in slot 5100
    assert (finding.frames, finding.count) == ((2, 5, 8, 11, 14), 5)
    assert finding.evidence[0] == "frame 2: ASN 5101, sent in slot 5100"
    assert finding.evidence[-1] == "2 other nodes tell the number of the slot"


def test_a_number_that_was_old_when_the_beacon_went_out_is_off_now_more_and_now_less() -> None:
    (finding,) = _told(lambda node, slot: slot - slot // 100 % 7 * (node == 2)).followed()
    assert finding.subject == _NAMES[2]
    assert "off, now more and now less" in finding.cause


def test_a_receiver_that_counts_from_elsewhere_is_told_once_and_blames_nobody() -> None:
    (finding,) = _told(lambda _, slot: slot, lambda slot: slot - 1234).followed()
    assert (finding.severity, finding.subject) == (Severity.REMARK, "the capture and PAN 0xabcd")
    assert "1234 slots ahead" in finding.cause


def test_beside_such_a_receiver_the_node_that_is_off_is_named() -> None:
    findings = _told(lambda node, slot: slot + 5 * (node == 0), lambda slot: slot - 9).followed()
    assert heavy(findings) == ["slot-numbers-disagree"]
    assert findings[0].subject == _NAMES[0]
    # its second beacon is the first that stands between two of others: the fourth of all, in slot 5300
    assert findings[0].evidence[0] == "frame 4: ASN 5305, sent in slot 5300"


def test_a_receiver_that_misses_a_slot_now_and_then_is_not_taken_for_a_node() -> None:
    # each seventh frame: four or five of the thirty that each node sends
    def slots(slot: int) -> int:
        return slot - (slot // 100 % 7 == 0)

    assert _told(lambda _, slot: slot, slots, turns=30).followed() == []


def test_a_receiver_that_counts_anew_in_the_midst_blames_nobody() -> None:
    assert (
        _told(lambda _, slot: slot, lambda slot: slot - 800 * (5600 < slot < 6300)).followed() == []
    )


def test_two_beacons_that_are_off_are_not_enough() -> None:
    assert _told(lambda node, slot: slot + (node == 1), turns=2).followed() == []


def _timed(
    told: Callable[[int, int], int], time_s: Callable[[int], float], turns: int = 6, nodes: int = 3
) -> Capture:
    """The same without numbers of the capture: a beacon each 100 slots of 10 ms, when the receiver has it."""
    sent = [(turn % nodes, 5000 + 100 * turn) for turn in range(nodes * turns)]
    return Capture(
        [
            (time_s(turn), beacon(turn & 0xFF, told(node, slot), _NODES[node]))
            for turn, (node, slot) in enumerate(sent)
        ]
    )


def test_a_node_few_slots_off_is_named_where_times_alone_tell_slots() -> None:
    """7 slots are 70 ms, which no pair tells.

    Two beacons of a node show how long a slot is: from frame 4 on slots are due, and frame 8 is the first of its own
    that beacons of others stand before and behind.
    """
    (finding,) = _timed(lambda node, slot: slot + 7 * (node == 1), float).followed()
    assert (finding.name, finding.subject) == ("slot-numbers-disagree", _NAMES[1])
    assert "7 slots ahead" in finding.cause
    assert (finding.frames, finding.count) == ((8, 11, 14, 17), 4)
    assert finding.evidence[0] == "frame 8: ASN 5707, sent in slot 5700"
    assert finding.evidence[-1] == "2 other nodes tell the number of the slot"


def test_a_node_that_comes_off_later_is_named_for_what_came_since() -> None:
    (finding,) = _timed(
        lambda node, slot: slot - 3 * (node == 2 and slot > 6000), float, 10
    ).followed()
    # frames 3, 6, 9 ... are its beacons; in slots from 6100 on are 12 and more, and 12 shows another length of a slot
    assert finding.subject == _NAMES[2]
    assert "3 slots behind" in finding.cause
    assert finding.frames == (15, 18, 21, 24, 27)


def test_a_clock_that_drifts_or_jitters_blames_nobody() -> None:
    """50 ppm are 60 ms in 20 minutes, six slots; a receiver whose times are 39 ms late at most is no judge of slots."""
    drifting = _timed(lambda _, slot: slot, lambda turn: turn * (1 + 50e-6), 400)
    jittering = _timed(lambda _, slot: slot, lambda turn: turn + turn * 7919 % 40 / 1000, 40)
    two = _timed(lambda _, slot: slot, float, nodes=2)
    assert [one.followed() for one in (drifting, jittering, two)] == [[], [], []]


def test_of_two_nodes_a_remark_tells_that_they_disagree() -> None:
    """Frames 2, 4, 6 ... are those of the second; from frame 4 on slots are due; none stands behind 12."""
    (finding,) = _timed(lambda node, slot: slot + 7 * node, float, nodes=2).followed()
    assert (finding.name, finding.severity) == ("slot-numbers-disagree", Severity.REMARK)
    assert finding.subject == f"{_NAMES[0]} and {_NAMES[1]}"
    assert "7 slots apart" in finding.cause
    assert finding.evidence[0] == "frame 6: ASN 5507, by the other 5500"
    assert (finding.frames, finding.count) == ((6, 8, 10), 3)


def test_where_as_many_are_off_as_agree_nobody_is_blamed() -> None:
    findings = _timed(lambda node, slot: slot + 7 * (node > 1), float, nodes=4).followed()
    assert [finding.severity for finding in findings] == [Severity.REMARK]
    assert [name in findings[0].subject for name in _NAMES] == [True] * 4
