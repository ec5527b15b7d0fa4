"""What queues do to the usual messages of a tree in slots: played, since queues along a path depend on each other."""

from collections.abc import Iterable, Iterator, Sequence
from random import Random
from typing import NamedTuple

from lowpanbudget.deployment.load import LinkLoad, NodeLoad, rhythm_of
from lowpanbudget.deployment.slot_latency import even_cells
from lowpanbudget.deployment.slot_run import Arrival, SlotLink, run_slots
from lowpanbudget.deployment.traffic import MessageStream, Traffic
from lowpanbudget.design.access import Access, Slots

_QUIET = 0.1  # part of the cells below which queues are as good as empty
_LEAST = 200  # messages of a kind and hop that say something


class PlayedQueue(NamedTuple):
    """What messages of one kind met: the share that no queue refused, and the mean seconds of those that arrived."""

    queued: float
    mean_s: float


StreamHop = tuple[str, str, str, int]  # flow, message, way, hop


def played_queues(
    traffic: Traffic, nodes: Sequence[NodeLoad], access: Access, slots: Slots, places: int | None, seed: int,
    transmissions: int,
) -> dict[StreamHop, PlayedQueue]:  # fmt: skip
    """Return what the queues of a tree do, for kinds and hops of which enough messages were played; none where idle.

    All links of a tree are played together from ``seed``, for about so many transmissions.
    """
    tries = sum(node.up.tries_per_s + node.down.tries_per_s for node in nodes)
    used = max(
        (node.up.tries_per_s / slots.cells if slots.cells else 0.0 for node in nodes), default=0.0
    ) * slots.slotframe_s  # fmt: skip
    if not tries or used < _QUIET:
        return {}
    random = Random(seed)  # noqa: S311  # no secret: a run that can be repeated
    links = list(_links(traffic, nodes, slots, random))
    sendings = usual_sendings(traffic, nodes)
    coming = list(usual_arrivals(sendings, transmissions / tries, random))
    # losses from draws of their own: the same ones again would lose the frames behind short gaps
    run = run_slots(
        [arrival for _, arrival in coming], links, slotframe=slots.slotframe, slot_s=slots.template.length / 1e6,
        attempts=access.retries + 1, places=places, seed=random.getrandbits(64),
    )  # fmt: skip
    found: dict[StreamHop, list[tuple[float | None, bool]]] = {}
    for (key, arrival), at, lost in zip(coming, run.arrived_s, run.lost, strict=True):
        late = None if at is None else at - arrival.at_s
        found.setdefault(key, []).append((late, lost == "queue"))
    return {key: _told(ends) for key, ends in found.items() if len(ends) >= _LEAST}


def _told(ends: Sequence[tuple[float | None, bool]]) -> PlayedQueue:
    late = [one for one, _ in ends if one is not None]
    refused = sum(1 for _, full in ends if full)
    return PlayedQueue(1 - refused / len(ends), sum(late) / len(late) if late else 0.0)


def _links(
    traffic: Traffic, nodes: Sequence[NodeLoad], slots: Slots, random: Random
) -> Iterator[SlotLink]:
    """Yield the links of all nodes to their parents, then those from them."""
    depth = traffic.tree.depth

    def link(load: LinkLoad, cells: int, step: int, along: str) -> SlotLink:
        step = step if slots.order == along else -step
        first = random.randrange(slots.slotframe) if slots.order == "random" else step
        return SlotLink(even_cells(cells, slots.slotframe, first), load.loss, load.answer_loss)

    yield from (link(node.up, slots.cells, depth - node.hop, "up") for node in nodes)
    yield from (link(node.down, slots.cells_down, node.hop, "down") for node in nodes)


class UsualSending(NamedTuple):
    """Messages that one node sends over links of their own, at any time: their links, how often, of how many frames."""

    key: StreamHop
    way: tuple[int, ...]
    every_s: float
    frames: int


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
                yield UsualSending(key, way, every_s, len(stream.first))


def usual_arrivals(
    sendings: Iterable[UsualSending], until_s: float, random: Random
) -> Iterator[tuple[StreamHop, Arrival]]:
    """Yield messages up to a time."""
    draw = random.expovariate
    for key, way, every_s, frames in sendings:
        rate = 1 / every_s
        at = draw(rate)
        while at < until_s:
            yield key, Arrival(at, way, frames)
            at += draw(rate)


def _way(stream: MessageStream, upward: tuple[int, ...], nodes: int) -> tuple[int, ...]:
    """Return the links of a stream: a link to the parent has the number of its node, one from it comes behind them."""
    downward = tuple(nodes + node for node in reversed(upward))
    ways = {"up": upward, "parent": upward[:1], "down": downward, "child": downward[-1:]}
    return ways.get(stream.way, ())
