"""The usual messages of a tree in slots: what each node sends over which links, and when."""

from collections.abc import Iterable, Iterator, Sequence
from random import Random
from typing import NamedTuple

from lowpanbudget.deployment.load import NodeLoad, rhythm_of
from lowpanbudget.deployment.slot_run import Arrival
from lowpanbudget.deployment.traffic import MessageStream, Traffic

StreamHop = tuple[str, str, str, int]  # flow, message, way, hop


class UsualSending(NamedTuple):
    """Messages that one node sends over links of their own, at any time: their links, how often, of how many frames."""

    key: StreamHop
    way: tuple[int, ...]
    every_s: float
    frames: int
    stream: MessageStream


def usual_sendings(traffic: Traffic, nodes: Sequence[NodeLoad]) -> Iterator[UsualSending]:
    """Yield what nodes send. A link up has the number of its node, one down comes behind all of them."""
    tree = traffic.tree
    hops = tree.hops
    for stream in traffic.streams:
        for node in stream.senders:
            way = _way(stream, tree.way(node)[:-1], len(hops))
            every_s = rhythm_of(stream, nodes[node])
            if way and every_s is not None:
                key = (stream.flow, stream.message, stream.way, hops[node])
                yield UsualSending(key, way, every_s, len(stream.first), stream)


def usual_arrivals(
    sendings: Iterable[UsualSending], until_s: float, random: Random
) -> Iterator[tuple[StreamHop, Arrival]]:
    """Yield messages up to a time, each at any time: a node that has sent one may send the next at once."""
    draw = random.expovariate
    for one in sendings:
        rate = 1 / one.every_s
        at = draw(rate)
        while at < until_s:
            yield one.key, Arrival(at, one.way, one.frames, one.stream.apart, one.stream.led)
            at += draw(rate)


def _way(stream: MessageStream, upward: tuple[int, ...], nodes: int) -> tuple[int, ...]:
    """Return the links of a stream: a link to the parent has the number of its node, one from it comes behind them."""
    downward = tuple(nodes + node for node in reversed(upward))
    ways = {"up": upward, "parent": upward[:1], "down": downward, "child": downward[-1:]}
    return ways.get(stream.way, ())
