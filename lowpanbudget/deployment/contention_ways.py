"""The ways of a design's messages over a simulated channel, and how often each is played."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from lowpanbudget.deployment.contention_rules import Sending, SimulatedFrame
from lowpanbudget.deployment.load import NodeLoad, rhythm_of
from lowpanbudget.deployment.service import served
from lowpanbudget.deployment.services_together import ENOUGH
from lowpanbudget.deployment.traffic import CarriedFrame, MessageStream, Traffic
from lowpanbudget.design.tree import Tree

_MORE = 0.02  # of all transmissions at most: what they do to the rest is less than what is left open; our choice
_AIM = 1.5  # times as many as say something: frames that are hit take more transmissions, and fewer are played


class StreamWay(NamedTuple):
    """One stream from one node, or to one node: the hop of its far end (0: to all near), and what is sent."""

    stream: MessageStream
    hop: int
    sending: Sending

    @property
    def key(self) -> tuple[str, str, str, int]:
        """Return what it is counted with: the other nodes of its hop."""
        return self.stream.flow, self.stream.message, self.stream.way, self.hop


def stream_ways(traffic: Traffic, nodes: Sequence[NodeLoad]) -> Iterator[StreamWay]:
    """Yield every way of every stream."""
    tree = traffic.tree
    hops, children = tree.hops, tree.children()
    for stream in traffic.streams:
        first = tuple(map(simulated_frame, stream.first))
        later = tuple(map(simulated_frame, stream.forwarded))
        for node in stream.senders:
            every_s = rhythm_of(stream, nodes[node])
            if every_s is None:
                continue
            way = tree.way(node)
            if stream.way == "down":
                way = way[::-1]
            elif stream.way == "parent":
                way = way[:2]
            elif stream.way == "child":
                way = (way[1], node)
            elif stream.way == "near":
                way = (node,)
            elif stream.way == "flood":
                relays = [one for one in range(len(hops)) if one == node or children[one]]
                for one in relays:
                    yield StreamWay(stream, 0, Sending((one,), every_s, later if one else first))
                continue
            far = hops[node] if served(stream) else 0
            pause = pause_us(tree, way, stream.first) if stream.recovers else 0.0
            sending = Sending(way, every_s, first, later, stream.apart, pause, stream.led)
            yield StreamWay(stream, far, sending)


def fragment_pause(tree: Tree) -> int:
    """Return how many transmissions a sender lets pass between frames that are forwarded one by one: our choice.

    On one frequency it "SHOULD cover multiple transmissions so as to let a frame progress a few hops and avoid hidden
    terminal issues" (RFC 8931 section 6): twice as many as take it a hop further than what its two ends disturb.
    """
    return 2 * (tree.disturbs + 2)


def pause_us(tree: Tree, way: Sequence[int], frames: Sequence[CarriedFrame]) -> float:
    """Return how long that is on a way; over one hop nothing is in the way."""
    hops = len(way) - 1
    if hops < 2:
        return 0.0
    return min(fragment_pause(tree), 2 * hops) * max(frame.total_us for frame in frames)


def simulated_frame(frame: CarriedFrame) -> SimulatedFrame:
    """Return a frame as it is simulated."""
    return SimulatedFrame(frame.air_us, frame.answer_us, frame.loss, frame.answer_loss)


def often_enough(ways: Sequence[StreamWay], attempts: int, transmissions: int) -> list[StreamWay]:
    """Return the ways with what is rare sent so often that enough of it is among so many transmissions.

    It is sent only so much more often that all transmissions become 2 % more at most.
    """
    costs = [_transmissions(way.stream, len(way.sending.way), attempts) for way in ways]
    rates = [cost / way.sending.every_s for way, cost in zip(ways, costs, strict=True)]
    seconds = transmissions / sum(rates)
    counts: dict[tuple[str, str, str, int], float] = {}
    for way in ways:
        counts[way.key] = counts.get(way.key, 0.0) + seconds / way.sending.every_s
    wanted = [max(ENOUGH * _AIM / counts[way.key], 1.0) if way.hop else 1.0 for way in ways]
    added = sum(rate * (times - 1) for rate, times in zip(rates, wanted, strict=True))
    part = min(1.0, _MORE * sum(rates) / added) if added else 0.0
    return [
        way._replace(
            sending=way.sending._replace(every_s=way.sending.every_s / (1 + (times - 1) * part))
        )
        for way, times in zip(ways, wanted, strict=True)
    ]


def hastened_words(usual: Sequence[StreamWay], played: Sequence[StreamWay]) -> Iterator[str]:
    """Yield what is played more often than it comes, with how many times as often."""
    times: dict[tuple[str, str], list[float]] = {}
    for one, other in zip(usual, played, strict=True):
        factor = one.sending.every_s / other.sending.every_s
        if factor > 1:
            times.setdefault((one.stream.flow, one.stream.message), []).append(factor)
    for (flow, message), factors in times.items():
        least, most = f"{min(factors):.3g}", f"{max(factors):.3g}"
        yield f"{flow} {message} ({least if least == most else f'{least} to {most}'} times)"


def _transmissions(stream: MessageStream, nodes: int, attempts: int) -> float:
    """Return how often frames of a message are sent until it passed so many nodes, on a quiet channel."""
    if nodes == 1:
        return float(len(stream.first))
    return sum(
        frame.tries(attempts).mean_attempts
        for hop in range(nodes - 1)
        for frame in stream.on_hop(hop)
    )
