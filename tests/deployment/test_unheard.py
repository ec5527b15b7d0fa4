"""What nobody listened to is no loss, and what frame counters prove to be kept back is one."""

from collections.abc import Iterable, Sequence
from random import Random
from typing import Any

import pytest
from deployment.test_seen import OQPSK, ROOT, S, address
from findings import air
from simulation.captured import START_NS, Frames, design, link, received, records
from simulation.contention import Packet, Sent

from lowpanbudget import Measurement, Record, audit, encode_frame, measure
from lowpanbudget.capture.crossings import HeardFrame
from lowpanbudget.deployment import unheard
from lowpanbudget.deployment.airtime_seen import OnAir
from lowpanbudget.deployment.measured import PlanNumber, PlanVerdict
from lowpanbudget.layers.link.auxiliary import Security

LIMITS = """
[limits]
delivery = 0.98
"""
EVERY_S, OFF = 60.0, (2000.0, 5000.0)


def frames(heard: Sequence[tuple[float, int, int | None]]) -> tuple[int, int, int]:
    """Hear frames of one node at these seconds, with number and counter; return missing, numbers, leaps."""
    on_air = OnAir(OQPSK, None)
    for number, (at_s, sequence, counter) in enumerate(heard):
        frame = HeardFrame(
            number, round(at_s * S), address(1), ROOT, 20, sequence, True, True, False, False, None, None, False, None,
            counter=counter, key=1,
        )  # fmt: skip
        on_air.heard(frame, None)
    (node,) = on_air.nodes(1.0)
    assert on_air.unheard(address(1))[0] == node.missing
    return node.missing, node.numbers, on_air.unheard(address(1))[1]


def each(
    *numbers: tuple[int, int | None], pause_s: float = 600
) -> list[tuple[float, int, int | None]]:
    """Frames, one each 600 s, the last of them so long behind the others."""
    times = [600.0 * at for at in range(len(numbers) - 1)]
    return [
        (at, *number) for at, number in zip([*times, times[-1] + pause_s], numbers, strict=True)
    ]


@pytest.mark.parametrize(
    ("heard", "missing", "numbers", "leaps"),
    [
        # each secured frame counts up both (IEEE 802.15.4-2020 9.4.2 and 7.2.3, from memory): 84 and 300 are missing
        (each((7, 100), (8, 101), (93, 186), pause_s=51_000), 84, 87, 0),
        (each((7, 100), (8, 101), (53, 402), pause_s=51_000), 300, 303, 0),
        # so long, and no frame in it
        (each((7, 100), (8, 101), (9, 102), pause_s=51_000), 0, 3, 0),
        # another device under that address: its counter begins anew, and its number anywhere
        (each((7, 9287), (8, 9288), (70, 1), (71, 2)), 0, 4, 1),
        # the counter says 101 further on, the number 29: nobody knows
        (each((7, 100), (8, 101), (100, 202)), 0, 3, 1),
        # without security: 85 further on where as many are expected, and where one is
        (each((6, None), (7, None), (8, None), (9, None), (94, None), pause_s=51_000), 84, 89, 0),
        (each((6, None), (7, None), (8, None), (9, None), (94, None)), 0, 5, 1),
        # in 130 periods eight bits may have gone round
        (each((6, None), (7, None), (8, None), (9, None), (10, None), pause_s=78_000), 0, 5, 1),
    ],
)
def test_frame_numbers_tell_what_was_sent_unheard(
    heard: list[tuple[float, int, int | None]], missing: int, numbers: int, leaps: int
) -> None:
    assert frames(heard) == (missing, numbers, leaps)


def reports(
    nodes: Sequence[int] = (1, 2, 3),
    *,
    kept_back: int = 0,
    unheard: int = 0,
    off: tuple[float, float] = OFF,
    pause_s: float = 0.0,
) -> list[Record]:
    """Readings of nodes beside their root for four hours, of which the first kept some back; the receiver was off.

    All of them pause for so long at the half; the frame numbers of the first leave out so many ``unheard`` there.
    """
    chance, sent = Random(4), []
    for node in nodes:
        for count in range(240):
            made = EVERY_S * count + 7 * node + chance.random() + pause_s * (count >= 120)
            if node == nodes[0] and 150 <= count < 150 + kept_back:
                continue
            packet = Packet(1000 * node + count, made, node, 79, count, arrived=made)
            sent.append(Sent(made, node, 0, packet, 0, 79, heard=True, acked=True))
    made_by = Frames(design(LIMITS, bits=16, every_s=EVERY_S), hops=lambda _node: 1, bits=16)
    on_air = [*made_by.both([one for one in sent if one.packet.index < 150])]
    made_by.numbers[nodes[0]] += unheard
    heard = received([*on_air, *made_by.both([one for one in sent if one.packet.index >= 150])])
    return [one for one in heard if not off[0] <= ((one.time_ns or 0) - START_NS) / S < off[1]]


def measured(heard: list[Record]) -> Measurement:
    return measure(heard, design=design(LIMITS, bits=16, every_s=EVERY_S))


def test_a_gap_of_the_receiver_is_no_loss() -> None:
    """Three nodes, each 60 s, and nobody listens for 50 minutes: 50 readings of each are heard by nobody."""
    heard = reports()
    found = measured(heard)
    assert not found.is_outside
    for flow in found.flows:
        assert flow.arrived is not None
        # 240, of which 50 are not heard; the first and the last of both parts prove nothing
        assert (flow.uncounted, flow.unsent, flow.perhaps) == (50, 0, 0)
        assert (flow.arrived.count, flow.arrived.trials) == (186, 186)
    assert found.seconds is not None
    for node in found.nodes:
        assert node.on_air_s is not None
        # from the last frame before the gap to the first behind it, which come within 60 s of its ends
        assert node.duty_cycle == pytest.approx(node.on_air_s / (found.seconds - 3000), rel=0.005)
    assert [one for one in found.unknown if "did not listen" in one]
    assert [one for one in found.unknown if "150 numbers are missing where nobody listened" in one]
    names = {
        one.name for one in audit(heard, design=design(LIMITS, bits=16, every_s=EVERY_S)).findings
    }
    assert not names & {"loss-over-plan", "messages-never-sent"}


def test_a_gap_behind_the_first_message_of_each_is_no_loss() -> None:
    """One reading of each was heard before it; of the 189 behind it the first and the last prove nothing."""
    for flow in measured(reports(off=(50.0, 3050.0))).flows:
        assert flow.arrived is not None
        assert (flow.uncounted, flow.unsent, flow.perhaps) == (50, 0, 0)
        assert (flow.arrived.count, flow.arrived.trials) == (187, 187)


def test_a_pause_of_all_senders_is_no_gap_of_the_receiver() -> None:
    """Their frame numbers go on over 22 hours in which no frame came: the receiver heard all there was.

    Nobody can tell it from a clock that was set: the time is not counted, and that is told.
    """
    pause_s = 22 * 3600.0
    found = measured(reports(off=(0.0, 0.0), pause_s=pause_s))
    assert found.leap is not None
    assert found.leap.seconds == pytest.approx(pause_s, rel=0.005)
    assert not [one for one in found.unknown if "did not listen" in one]
    assert found.seconds is not None
    for flow in found.flows:
        assert flow.arrived is not None
        assert (flow.arrived.count, flow.arrived.trials) == (238, 238)
    for node in found.nodes:
        assert node.on_air_s is not None
        assert node.duty_cycle == pytest.approx(node.on_air_s / (240 * EVERY_S), rel=0.01)


def test_transfers_between_long_silences_are_no_rhythm() -> None:
    """Two nodes send 20 readings in a second each 10 minutes, at other times; another reports each 20 s.

    By hand: in 18 s without a frame either has one transfer in 33 to begin; by the steps of its readings it would have
    sent 360. The last frame of each is not heard, so that no numbers tell what a silence had in it.
    """
    chance, sent = Random(4), list[Sent]()

    def report(at: float, node: int) -> None:
        packet = Packet(len(sent), at, node, 79, len(sent), arrived=at)
        sent.append(Sent(at, node, 0, packet, 0, 79, heard=True, acked=True))

    for turn in range(24):
        for node in (1, 2):
            for count in range(20):
                report(600.0 * turn + 150 * node + 0.05 * count, node)
    for turn in range(720):
        report(20.0 * turn + chance.random(), 3)
    planned = design(LIMITS, bits=16, every_s=EVERY_S)
    order = sorted(sent, key=lambda one: one.time)
    frames = records(order, Frames(planned, hops=lambda _node: 1, bits=16))
    heard = [one for one in frames if ((one.time_ns or 0) - START_NS) / S % 150 // 0.05 != 19]
    found = measure(heard, contexts=air.CONTEXTS)
    assert not [one for one in found.unknown if "did not listen" in one]


def test_what_was_kept_back_is_told_beside_a_gap() -> None:
    """Ten messages of the first node have no frame of their own; those of the gap are not set off against them."""
    found = measured(reports(kept_back=10))
    first = min(found.flows, key=lambda flow: flow.flow.source)
    assert first.arrived is not None
    assert (first.uncounted, first.unsent, first.perhaps) == (50, 10, 0)
    assert (first.arrived.count, first.arrived.trials) == (176, 186)
    assert found.is_outside


@pytest.mark.parametrize(
    ("unheard", "uncounted", "unsent", "perhaps"),
    [
        (0, 0, 10, 0),  # its frame numbers go on: nothing was sent
        (4, 0, 6, 4),  # four frames went by
        (10, 0, 0, 10),
        # 100 further on where ten periods passed: it began anew, and nobody knows what it sent before
        (100, 10, 0, 0),
    ],
)
def test_what_frame_numbers_say_of_missing_messages(
    unheard: int, uncounted: int, unsent: int, perhaps: int
) -> None:
    """Ten messages of a node are missing, and so many frame numbers: each frame that is sent counts one up."""
    (flow,) = measured(reports((1,), kept_back=10, unheard=unheard, off=(0.0, 0.0))).flows
    assert (flow.uncounted, flow.unsent, flow.perhaps) == (uncounted, unsent, perhaps)


def test_the_silence_of_one_node_is_not_one_of_the_receiver() -> None:
    """Its frames are missing, and prove that it sent: they may have arrived."""
    (flow,) = measured(reports((1,))).flows
    assert flow.arrived is not None
    assert (flow.uncounted, flow.unsent, flow.perhaps) == (0, 0, 50)
    assert (flow.arrived.count, flow.arrived.trials) == (188, 238)


@pytest.mark.parametrize("sealed", [True, False])
def test_who_sends_what_nobody_reads_is_not_silent(sealed: bool) -> None:
    """Of the first node nothing is read behind two of four hours: its frames are sealed, or there are none."""
    later = START_NS + 7200 * S
    heard = []
    for number, record in enumerate(reports(off=(0.0, 0.0))):
        if (record.time_ns or 0) < later or record.octets[7:9] != link(1)[::-1]:
            heard.append(record)
        elif sealed:
            security = Security(5, 1, number, key_index=1)
            header = air.mac(number & 0xFF, (link(1), link(0)), security=security)
            octets = encode_frame(header, b"sealed", key=air.KEY, devices={1: bytes(8)}).octets
            heard.append(record._replace(octets=octets, original_length=len(octets)))
    found = measured(heard)
    told = {check.subject: check for check in found.checks if check.what is PlanNumber.INTERVAL}
    check = told["reading from 2001:db8:1::ff:fe00:1"]
    assert check.verdict is (PlanVerdict.WITHIN if sealed else PlanVerdict.OUTSIDE)
    assert ("none was heard for the last 2.0 hours of 4.0 hours" in check.why) is not sealed


def test_where_a_flow_begins_is_looked_for_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A day of a reading each second has a hundred thousand: what is done once for each is not done for all others."""
    looked = 0

    def counted(values: Iterable[int], **none: Any) -> Any:
        nonlocal looked
        listed = list(values)
        looked += len(listed)
        return min(listed, **none)

    monkeypatch.setattr(unheard, "min", counted, raising=False)
    sent = 200
    order: list[bytes | tuple[float, bytes]] = [
        (1.0 * n, air.frame(air.datagram(n.to_bytes(2, "big")), n)) for n in range(sent)
    ]
    found = measure(air.Capture(order).records(), contexts=air.CONTEXTS)
    assert [flow.datagrams for flow in found.flows] == [sent]
    assert 0 < looked <= sent
