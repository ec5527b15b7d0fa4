"""What nobody else is about for is played without events: it comes to what its events would."""

from collections.abc import Sequence
from itertools import pairwise
from math import inf
from typing import Any, NamedTuple

import hypothesis.strategies as st
from hypothesis import given

from lowpanbudget.deployment.contention_air import Air
from lowpanbudget.deployment.contention_rules import (
    CsmaRules,
    HearingRanges,
    Sending,
    SimulatedFrame,
)
from lowpanbudget.deployment.delivery import LossStates
from lowpanbudget.design.waiting import SendQueue


class Network(NamedTuple):
    """What a channel is given, and how it is played: some seconds at a time, with what is planned in them."""

    given: tuple[CsmaRules, HearingRanges, list[Sending], SendQueue | None, int, LossStates | None]
    keeps: bool
    planned: Sequence[tuple[float, int, tuple[float, ...]]]
    messages: int


@st.composite
def rules(draw: st.DrawFn) -> CsmaRules:
    """CSMA-CA with all kinds of numbers: small units bring the CCAs of several near each other."""
    least, most = draw(st.sampled_from([(0, 0), (0, 4), (2, 4), (3, 5)]))
    return CsmaRules(
        least, most, draw(st.integers(0, 4)), draw(st.integers(0, 3)), draw(st.sampled_from([320, 60])),
        draw(st.sampled_from([128, 192, 700])), 192, draw(st.sampled_from([864, 0, 5000])),
        draw(st.sampled_from([640, 0])), draw(st.booleans()),
    )  # fmt: skip


@st.composite
def sendings(draw: st.DrawFn, nodes: int, pace: tuple[float, ...]) -> Sending:
    every_s = draw(st.sampled_from(pace))
    way = tuple(draw(st.permutations(range(nodes)))[: draw(st.sampled_from([nodes, nodes, 2, 1]))])
    frame = SimulatedFrame(
        draw(st.sampled_from([352, 4256])), draw(st.sampled_from([352, 352, 352, 352, 0])),
        *draw(st.sampled_from([(0.0, 0.0), (0.1, 0.4), (0.5, 0.1), (1.0, 0.0), (0.0, 1.0)])),
    )  # fmt: skip
    count, later = draw(st.sampled_from([(1, 0), (1, 0), (1, 1), (1, 1), (2, 0), (2, 2)]))
    if len(way) == 1:  # to all that are near
        return Sending(way, every_s, (SimulatedFrame(1000, 0),) * count)
    forwarded = (frame._replace(air_us=1000),) * later
    apart = count == later and draw(st.booleans())
    return Sending(
        way, every_s, (frame,) * count, forwarded, apart, draw(st.sampled_from([0.0, 3000.0]))
    )


@st.composite
def networks(draw: st.DrawFn) -> Network:
    nodes = draw(st.sampled_from([4, 3, 3, 2]))
    pace = draw(st.sampled_from([(0.5, 5.0), (0.05, inf), (0.005, 0.02)]))  # quiet, or crowded
    sent = [draw(sendings(nodes, pace)) for _ in range(draw(st.sampled_from([2, 4, 1])))]
    # who is sent a frame hears it; of all others some do, and some that do not are disturbed
    hear, disturb = (draw(st.integers(0, 2**nodes**2 - 1)) for _ in "12")
    on_ways = {
        pair
        for one in sent
        for here, there in pairwise(one.way)
        for pair in ((here, there), (there, here))
    }
    reception = HearingRanges(*(
        tuple(tuple(
            other for other in range(nodes)
            if other != one and ((one, other) in on_ways or some >> (one * nodes + other) & 1)
        ) for one in range(nodes)) for some in (hear, hear | disturb)
    ))  # fmt: skip
    queue = draw(
        st.sampled_from([None, SendQueue(1, True), SendQueue(1, False), SendQueue(3, True)])
    )
    runs = draw(st.sampled_from([None, None, LossStates(0.05, 0.8, 0.5, 0.2)]))
    planned = [
        (draw(st.sampled_from([4e3, 1e6])), draw(st.integers(0, len(sent) - 1)), (0.0, 2e3, 3e3, 3e3, 6e5))
        for _ in range(draw(st.integers(0, 2)))
    ]  # fmt: skip
    given = draw(rules()), reception, sent, queue, draw(st.integers(0, 99)), runs
    return Network(given, draw(st.booleans()), planned, draw(st.integers(1, 100)))


def told(network: Network, *, skips_events: bool) -> list[Any]:
    """Return all that is told of a network that is played, of each step."""
    air = Air(*network.given, keeps=network.keeps)
    air.skips_events &= skips_events
    found: list[Any] = []

    def play(**until: Any) -> None:
        air.play(**until)
        found.append((
            air.now, air.events, air.transmissions, air.collided, air.ccas, air.busy, air.frames[:], air.tries[:],
            dict(air.passed_on), air.lengths[:], sorted(air.waiting()), dict(air.log.lost), air.log.outcomes(),
            [air.log.end(number) for number in range(len(air.log))],
            [(one.generated, one.latencies[:]) for one in air.log.by_sending()],
            {number: sent[:] for number, sent in air.fired.items()},
        ))  # fmt: skip

    ended = [one for one in network.given[2] if len(one.way) > 1]
    for after, sending, times in network.planned:
        if network.given[2][sending] in ended:
            air.plan(sending, times)
        play(until_us=air.now + after)
    if any(one.every_s < inf for one in ended):
        play(messages=len(air.log) + network.messages)
    play(until_us=air.now + 1e5)
    return found


@given(networks())
def test_what_is_played_without_events_is_what_they_come_to(network: Network) -> None:
    assert told(network, skips_events=True) == told(network, skips_events=False)
