"""Equal contents under a new number: every reader of a capture calls the same frames copies, and no others.

A MAC that got its acknowledgement does not send again, and a retry keeps its number (IEEE 802.15.4-2015 clause 6.7.4.3,
from memory). Frames are two of one node; what is a copy is told by hand.
"""

from pathlib import Path

import pytest
from findings import air
from findings.air import BROADCAST, CONTEXTS, NODE, ROOT

from lowpanbudget import Record, audit, follow, measure, survey, write_pcap
from lowpanbudget.layers.link.mac import FrameType

START_NS, LINK_TYPE = 1_925_000_000 * 10**9, 195
DATAGRAM = air.datagram(b"ON")
RELAY = b"\x00\x18"
DATA_REQUEST = b"\x04"  # IEEE 802.15.4: the command of a child that asks its parent for data


def acknowledgement(number: int) -> bytes:
    return air.mended(bytes([2, 0, number, 0, 0]))


def data(number: int) -> bytes:
    return air.frame(DATAGRAM, number)


def to_all(number: int) -> bytes:
    return air.raw(b"\x3f\x00" + bytes(20), number, (NODE, BROADCAST))


def command(number: int) -> bytes:
    return air.raw(DATA_REQUEST * 8, number, frame_type=FrameType.COMMAND)


def meshed(number: int, by: bytes, to: bytes) -> bytes:
    """On a hop of a mesh from NODE to ROOT, with 5 hops left on each: 10, V = F = 1 (RFC 4944 section 5.2)."""
    head = bytes([0b1011_0101]) + NODE + ROOT
    return air.raw(head + air.payload(DATAGRAM, (NODE, ROOT)), number, (by, to))


def captured(*frames: tuple[float, bytes]) -> list[Record]:
    return [
        Record(number, START_NS + round(at * 1e9), LINK_TYPE, octets, len(octets))
        for number, (at, octets) in enumerate(frames, 1)
    ]


@pytest.mark.parametrize(
    ("frames", "copy"),
    [
        ([(0, data(1)), (0.05, data(2))], 1),
        ([(0, data(1)), (0.1, data(2))], 1),
        ([(0, data(1)), (0.101, data(2))], None),
        # the same number is a retry, whoever acknowledged
        ([(0, data(1)), (0.001, acknowledgement(1)), (0.05, data(1))], None),
        ([(0, data(1)), (0.001, acknowledgement(1)), (0.05, data(2))], None),
        # the retry was acknowledged
        ([(0, data(1)), (0.01, data(1)), (0.011, acknowledgement(1)), (0.05, data(2))], None),
        # an acknowledgement of another frame
        ([(0, data(1)), (0.001, acknowledgement(9)), (0.05, data(2))], 1),
        ([(0, to_all(1)), (0.05, to_all(2))], None),
        ([(0, command(1)), (0.05, command(2))], None),
        ([(0, air.raw(bytes(4), 1)), (0.05, air.raw(bytes(4), 2))], None),
        ([(0, meshed(1, NODE, RELAY)), (0.05, meshed(2, NODE, RELAY))], 1),
        # each hop has a sender with numbers of its own, also where hops left stays as it was
        ([(0, meshed(1, NODE, RELAY)), (0.05, meshed(2, RELAY, ROOT))], None),
        ([(0, meshed(1, NODE, RELAY)), (0.05, meshed(1, RELAY, ROOT))], None),
    ],
    ids=[
        "soon", "in time", "late", "retry", "acknowledged", "retry acknowledged", "other", "to all", "command", "short",
        "mesh hop again", "next mesh hop", "next mesh hop, same number",
    ],
)  # fmt: skip
def test_all_readers_call_the_same_frames_copies(
    frames: list[tuple[float, bytes]], copy: int | None, tmp_path: Path
) -> None:
    records = captured(*frames)
    assert [one.copy_of for one in follow(records, contexts=CONTEXTS, fcs=2)][-1] == copy
    path = tmp_path / "two.pcap"
    # three times, so that the counting loop knows all of it by the last
    thrice = captured(*((at + later, octets) for later in (0, 20, 40) for at, octets in frames))
    with path.open("wb") as file:
        write_pcap(file, thrice, LINK_TYPE)
    for columns in (False, True):
        total = survey(path, contexts=CONTEXTS, fcs=2, columns=columns).total
        assert total.duplicates == 3 * (copy is not None)
    found = [one.name for one in audit(records, contexts=CONTEXTS, fcs=2).findings]
    assert ("sent-again-as-new" in found) == (copy is not None)


def test_a_value_that_does_not_change_is_no_copy() -> None:
    """A hundred times the same, each 30 ms, and each acknowledged: as many messages."""
    frames = []
    for number in range(100):
        frames += [(number * 0.03, data(number)), (number * 0.03 + 0.001, acknowledgement(number))]
    (flow,) = measure(captured(*frames), contexts=CONTEXTS, fcs=2).flows
    assert flow.arrived is not None
    assert (flow.arrived.count, flow.arrived.trials, flow.again) == (100, 100, 0)
