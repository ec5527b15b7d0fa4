"""Measuring through the public names: a capture of an invented cold store, written here, beside its plan."""

from math import exp

import pytest
from simulation import slotted
from simulation.captured import Frames, design, records

from lowpanbudget import (
    ClockPutBack,
    FlowKey,
    MeasuredBurst,
    MeasuredFlow,
    MeasuredLink,
    MeasuredNode,
    MeasuredShare,
    Measurement,
    PlanCheck,
    PlanNumber,
    PlanVerdict,
    Quantile,
    Record,
    ReportsTogether,
    Spread,
    measure,
)

PLAN = """
[access]
method = "slots"
[limits]
delivery = 0.9
[[burst]]
name = "volley"
flow = "readings"
packets = 12
octets = 19
every_s = 1
all_in_s = 20
"""


@pytest.fixture(scope="module")
def found() -> Measurement:
    """Three nodes in a row, no losses, 40 readings each at nearly the same times, and a burst of the farthest."""
    planned = design(PLAN.replace("[limits]", "[access.slots]\nchannels = 1\n[limits]"))
    links = {node: slotted.Link([node, node + 50], node - 1) for node in (1, 2, 3)}
    network = slotted.SlottedNetwork(links, 1, keep=True)
    for node in links:
        network.periodic(node, 30.0, 1200, first=1.0, jitter=0.05)
    network.burst(3, 12, 1.0, at=605.0)
    network.run(1300)
    sent = records(network.sent, Frames(planned, hops=lambda node: node))
    return measure(sent, design=planned, burst="volley")


def test_where_the_times_of_a_capture_go_back() -> None:
    """Frames at 10, 20, 15, 25 and 22 s: back by 5 s in the third, by 3 s in the fifth."""
    frame = bytes.fromhex("4188013412170001000000")
    times = (10, 20, 15, 25, 22)
    found = measure(
        [
            Record(number, time_s * 10**9, 195, frame, len(frame))
            for number, time_s in enumerate(times, 1)
        ]
    )
    assert found.put_back == ClockPutBack(3, 5.0, 2, 5.0)
    assert str(found.put_back) == "the times go back in frame 3, by 5 s"
    assert found.seconds == 15


def test_times_go_back_by_ticks_and_by_years() -> None:
    """SI prefixes; 60 s, 60 min, 24 h and 365 days, by hand: 10^9 s are 31.7 years of 31 536 000 s."""
    for seconds, said in (
        (8e-9, "8 ns"), (2e-6, "2 µs"), (9.996e-4, "1 ms"), (0.025, "25 ms"), (1.0, "1 s"), (59.9, "59.9 s"),
        (90.0, "1.5 min"), (3600.0, "1 h"), (86399.0, "1 d"), (200 * 86400.0, "200 d"), (1e9, "31.7 y"),
    ):  # fmt: skip
        told = str(ClockPutBack(2, seconds, 1, seconds))
        assert told == f"the times go back in frame 2, by {said}"


def test_a_measurement_is_a_value(found: Measurement) -> None:
    flow: MeasuredFlow = found.flows[0]
    assert isinstance(flow.flow, FlowKey)
    assert flow.name == "readings"
    assert flow.datagrams == 40
    # all 38 between the first and the last arrived: 0.05 ** (1/38) is proved
    share = flow.arrived
    assert isinstance(share, MeasuredShare)
    assert (share.count, share.trials) == (38, 38)
    assert share.at_least == pytest.approx(0.05 ** (1 / 38))
    rhythm = flow.interval
    assert isinstance(rhythm, Spread)
    assert rhythm.values == 39
    (middle,) = rhythm.quantiles
    assert middle == Quantile(0.5, rhythm.median)
    with pytest.raises(AttributeError):
        flow.datagrams = 41  # type: ignore[misc]  # a result refuses it


def test_links_nodes_and_the_burst(found: Measurement) -> None:
    link: MeasuredLink = found.links[0]
    # what node 1 sends: 40 of its own, 80 that it forwards, and the 12 of the burst
    assert (link.sender, link.receiver, link.frames, link.tries) == (b"\0\1", b"\1\0", 132, 132)
    node: MeasuredNode = found.nodes[0]
    assert node.frames == 132
    assert node.acknowledgements == 92
    burst = found.burst
    assert isinstance(burst, MeasuredBurst)
    assert burst.arrived.count == burst.in_by(20) == 12
    assert burst.in_by(10.5) == 10


def test_checks_and_what_is_not_known(found: Measurement) -> None:
    check: PlanCheck = found.checks[0]
    assert check.what is PlanNumber.INTERVAL
    assert check.verdict is PlanVerdict.WITHIN
    assert not found.is_outside
    # all numbers were heard: nothing is said of any that were not
    assert sum(one.missing for one in found.nodes) == 0
    assert found.unknown
    assert not any("frame numbers" in one for one in found.unknown)
    (together,) = found.together
    # one more of the 120 reports may begin alone: in 50 ms and a slotframe all begin, within 0.3 s
    assert isinstance(together, ReportsTogether)
    assert (together.flow, together.senders, together.reports) == ("reading", 3, 120)
    assert together.together > 60
    # another of the two senders begins by chance within so long before or after a report: Poisson, one each 30 s
    assert together.by_chance == pytest.approx(1 - exp(-2 * together.within_s * 2 / 30), rel=0.01)
