"""How messages arrive over cells of their own: links exact, queues and losses in runs as they were played."""

from collections.abc import Iterator, Mapping, Sequence
from functools import cache, lru_cache
from math import hypot
from typing import NamedTuple

from lowpanbudget.deployment.delays import Delays, in_turn
from lowpanbudget.deployment.delivery import LossStates
from lowpanbudget.deployment.node_queues import NodeQueues
from lowpanbudget.deployment.service import (
    HopService,
    link_states,
    path_share,
    quantiles,
    runs_share,
    served,
)
from lowpanbudget.deployment.services_together import half_width_of
from lowpanbudget.deployment.slot_fragments import FragmentTimes, fragment_times
from lowpanbudget.deployment.slot_latency import even_cells, hop_latency, path_latency
from lowpanbudget.deployment.slot_messages import StreamHop
from lowpanbudget.deployment.slot_play import PlayedStream
from lowpanbudget.deployment.traffic import CarriedFrame, MessageStream, Traffic
from lowpanbudget.design.access import Access, CellOrder, Slots
from lowpanbudget.design.loss import FrameLoss
from lowpanbudget.design.tree import Tree
from lowpanbudget.values import replace

_PARTS = 40  # of the time that is allowed, tried for a bound
_FEW = 10  # messages that a queue refused: fewer tell little of their kind
# of what all kinds lose at a queue: what begins there loses more than what comes in turn; our choice
_KINDS_APART = 0.5


def slot_services(
    traffic: Traffic,
    access: Access,
    slots: Slots,
    loss: FrameLoss | None,
    within_s: float | None,
    queues: Sequence[NodeQueues],
    played: Mapping[StreamHop, PlayedStream],
) -> Iterator[HopService]:
    """Yield how messages arrive in slots: what was played as it was played.

    For the rest links are exact and queues each by itself, and times are those of empty queues, which is the best that
    can be: ``in_time_least`` is there in time whatever the queues do that add so much on average. Behind a queue that
    only grows nothing is in time in the long run; how much is where it is full in less than that is not told.
    """
    for stream in filter(served, traffic.streams):
        cells = slots.cells if stream.way == "up" else slots.cells_down
        worst = _worst_ways(traffic.tree, stream, queues)
        for hop in sorted(worst):
            nothing = HopService(
                stream.flow, stream.message, stream.way, hop, len(stream.first), 0.0, None, 0.0, None, None
            )  # fmt: skip
            if not cells:
                yield nothing
                continue
            apart = _apart(stream, hop, access, slots, cells, loss) if stream.apart else None
            found = (
                _delays(stream, hop, access, slots, cells, loss) if apart is None else apart.delays
            )
            attempts, apart_s = access.retries + 1, slots.slotframe_s / cells
            way = worst[hop]
            half = way.half_width and hypot(way.half_width, (1 - way.queued) * _KINDS_APART)
            if not way.queued:
                half = 0.0  # it has more frames than places
            in_time, in_time_half = None, 0.0
            if within_s is not None:
                in_time = min(found.within(within_s), 1.0)  # a sum of shares
            if in_time is not None and apart is not None:
                in_time_half = half_width_of(in_time, apart.messages)
            alone = replace(
                nothing, delivered=path_share(stream, hop, attempts),
                in_runs=runs_share(stream, hop, attempts, loss, apart_s), half_width=half, latency=quantiles(found),
                latency_ranges=() if apart is None else apart.ranges,
                in_time=None if in_time is None else in_time * way.queued, in_time_half_width=in_time_half,
                queued=way.queued, queue_s=way.added_s, delays=found,
                in_time_least=None if within_s is None else in_time_least(found, within_s, way.added_s) * way.queued,
            )  # fmt: skip
            told = played.get((stream.flow, stream.message, stream.way, hop))
            one = alone if told is None else _played(alone, told, found, way.waiting)
            yield one if not way.grows else replace(
                one, latency=None, latency_ranges=(),
                in_time=0.0 if within_s is not None and within_s < way.full_s else None, in_time_half_width=0.0,
                queue_s=None, in_time_least=None,
            )  # fmt: skip


def in_time_least(empty: Delays, within_s: float, added_s: float) -> float:
    """Return the share that is there in time at least where queues add so much on average to those of empty queues.

    They add x or more to at most mean / x of the messages (Markov's inequality), whatever x is.
    """
    parts = (within_s * number / _PARTS for number in range(1, _PARTS + 1))
    return max(0.0, *(empty.within(within_s - part) - added_s / part for part in parts))


def _played(alone: HopService, told: PlayedStream, empty: Delays, behind: float) -> HopService:
    """Return the same with queues and times as they were played; at most the share ``behind`` finds frames waiting.

    A kind of which few met a full queue goes by what all kinds met at the same queues, which is known better. Losses in
    runs are those that were played: what waited behind another is tried in a good time, and in bad ones queues fill, so
    that neither share is the other's chance. Where so few wait that those bound it closer, links stay exact.
    """
    queued, half, in_runs = told.queued, told.half_width, alone.in_runs
    if alone.queued is not None and told.refused < _FEW and alone.half_width < half:
        queued, half = alone.queued, alone.half_width
    if in_runs is not None and queued:
        if told.arrived_half_width < behind + half:
            in_runs = min(told.arrived / queued, 1.0)
        half = min(told.arrived_half_width, behind + half)
    # what does not arrive is not in time either, however few of those that were played were lost
    arrive = queued * min(share for share in (alone.delivered, in_runs) if share is not None)
    in_time = None if told.in_time is None else min(told.in_time, arrive)
    return replace(
        alone, in_runs=in_runs, half_width=half, latency=told.latency, in_time=in_time,
        in_time_half_width=told.in_time_half_width, in_time_least=None, queued=queued,
        queue_s=max(told.mean_s - empty.mean_s, 0.0), messages=told.messages,
        queue_half_width_s=told.mean_half_width_s, latency_ranges=told.ranges,
    )  # fmt: skip


class _QueuesOnWay(NamedTuple):
    """The queues of a way: the chance of places in all, the seconds that they add, how far the chance may be off.

    ``waiting`` are the frames in all of them, on average; ``grows``: one of them only ever grows, or for days, until it
    is full, which takes ``full_s`` then.
    """

    queued: float
    added_s: float
    half_width: float
    waiting: float
    grows: bool
    full_s: float = 0.0


def _worst_ways(
    tree: Tree, stream: MessageStream, queues: Sequence[NodeQueues]
) -> dict[int, _QueuesOnWay]:
    """Return for each hop the way with the fullest queues."""
    frames = len(stream.first)
    ways = [_QueuesOnWay(1.0, 0.0, 0.0, 0.0, grows=False)]
    for node in range(1, len(tree.parents)):
        queue = queues[node].up if stream.way == "up" else queues[node].down
        way = ways[tree.parents[node]]
        if queue is not None:
            way = _QueuesOnWay(
                way.queued * queue.fits(frames), way.added_s + queue.adds_s,
                hypot(way.half_width, queue.half_width * frames), way.waiting + queue.frames,
                way.grows or queue.grows, way.full_s + (queue.full_s if queue.grows else 0.0),
            )  # fmt: skip
        ways.append(way)
    worst: dict[int, _QueuesOnWay] = {}
    hops = tree.hops
    for node in stream.senders:
        before, here = worst.get(hops[node], ways[0]), ways[node]
        worst[hops[node]] = _QueuesOnWay(
            min(before.queued, here.queued), max(before.added_s, here.added_s),
            max(before.half_width, here.half_width), max(before.waiting, here.waiting), before.grows or here.grows,
            max(before.full_s, here.full_s),
        )  # fmt: skip
    return worst


def _delays(
    stream: MessageStream, hops: int, access: Access, slots: Slots, cells: int, loss: FrameLoss | None
) -> Delays:  # fmt: skip
    chances = [_chance(stream.on_hop(index), loss) for index in range(hops)]
    attempts, frames = access.retries + 1, len(stream.first)
    slot_s = slots.template.length / 1e6
    if slots.order == "random":
        first = _random_hop(cells, slots.slotframe, slot_s, chances[0], attempts, frames)
        if hops == 1:
            return first
        later = _random_hop(cells, slots.slotframe, slot_s, chances[1], attempts, frames)
        return in_turn([(first, 1), (later, hops - 1)])
    step = _step(stream, slots)
    return _ordered_path(cells, step, slots.slotframe, slot_s, tuple(chances), attempts, frames)


def _apart(
    stream: MessageStream, hops: int, access: Access, slots: Slots, cells: int, loss: FrameLoss | None
) -> FragmentTimes:  # fmt: skip
    """Return the same of messages whose frames go on one by one."""
    losses = tuple(_mean_loss(stream.on_hop(index)) for index in range(hops))
    states = link_states(loss, max(frame.octets for frame in stream.first))
    return fragment_times(
        losses, cells, None if slots.order == "random" else _step(stream, slots), slots.slotframe,
        slots.template.length / 1e6, states, access.retries + 1, len(stream.first),
    )  # fmt: skip


def _step(stream: MessageStream, slots: Slots) -> int:
    """Return how many slots the cells of a hop come behind those of the hop before, where they are in order."""
    return 1 if slots.order == _with(stream) else -1


def _mean_loss(frames: tuple[CarriedFrame, ...]) -> tuple[float, float]:
    """Return what a link loses of such frames and of their acknowledgements, on average."""
    count = len(frames)
    return sum(one.loss for one in frames) / count, sum(one.answer_loss for one in frames) / count


def _with(stream: MessageStream) -> CellOrder:
    """Return the order of cells that goes along with a stream."""
    return "up" if stream.way == "up" else "down"


def _chance(frames: tuple[CarriedFrame, ...], loss: FrameLoss | None) -> float | LossStates:
    """Return the chance that one try brings a frame on, or the good and bad times of the link.

    The next frame of a message waits until its sender knows of the one before.
    """
    states = link_states(loss, max(frame.octets for frame in frames))
    if len(frames) == 1:
        return 1 - frames[0].loss if states is None else states
    if states is None:
        return min((1 - frame.loss) * (1 - frame.answer_loss) for frame in frames)
    return states._replace(good=1 - (1 - states.good) ** 2, bad=1 - (1 - states.bad) ** 2)


@lru_cache(maxsize=256)  # streams of frames alike, and designs with one change
def _ordered_path(
    cells: int, step: int, slotframe: int, slot_s: float, chances: tuple[float | LossStates, ...], attempts: int,
    frames: int,
) -> Delays:  # fmt: skip
    """Return the latency over hops with these chances, whose cells come so many slots after those before."""
    ways = [even_cells(cells, slotframe, index * step) for index in range(len(chances))]
    return path_latency(ways, slotframe, slot_s, chances, attempts, frames)


@cache
def _random_hop(
    cells: int,
    slotframe: int,
    slot_s: float,
    succeeds: float | LossStates,
    attempts: int,
    frames: int,
) -> Delays:
    return hop_latency(even_cells(cells, slotframe), slotframe, slot_s, succeeds, attempts, frames)
