"""How the messages of a design arrive, hop by hop: the share, and after how long."""

from collections.abc import Iterator, Mapping, Sequence
from functools import cache, lru_cache
from typing import NamedTuple

from lowpanbudget.deployment.delays import Delays, in_turn
from lowpanbudget.deployment.delivery import LossStates, delivered_in_runs
from lowpanbudget.deployment.node_queues import NodeQueues
from lowpanbudget.deployment.slot_latency import even_cells, hop_latency, path_latency
from lowpanbudget.deployment.slot_play import PlayedQueue, StreamHop
from lowpanbudget.deployment.traffic import CarriedFrame, MessageStream, Traffic
from lowpanbudget.design.access import Access, CellOrder, Slots
from lowpanbudget.design.loss import FrameLoss
from lowpanbudget.design.tree import Tree
from lowpanbudget.values import dataclass, field

SHARES = (0.5, 0.95, 0.99)


class Quantiles(NamedTuple):
    """Seconds in which half, 95 % and 99 % of what arrives is there."""

    median_s: float
    most_s: float  # 95 %
    nearly_all_s: float  # 99 %


@dataclass(frozen=True, slots=True)
class HopService:
    """How the messages of one stream arrive from nodes at one hop, or at nodes at one hop.

    ``delivered`` with independent losses, ``in_runs`` with losses in runs (None: the design states none); both are
    plus or minus ``half_width`` (0: exact). ``queued`` is the chance to find a place in every queue on the way, and
    ``queue_s`` what they add on average (None: played, and part of the rest). ``latency`` is over what arrives, of
    empty queues in slots, None where nothing is known or nothing came; ``in_time`` the share of all messages that is
    there within the design's limit, after what queues add on average (None: it has none). ``quiet``
    and ``quiet_latency`` are what a channel without other senders would do: bounds, for contention alone; ``messages``
    how many were simulated. ``delays`` is the whole distribution where it is exact.
    """

    flow: str
    message: str
    direction: str
    hop: int
    frames: int
    delivered: float
    in_runs: float | None
    half_width: float
    latency: Quantiles | None
    in_time: float | None
    queued: float | None = None
    queue_s: float | None = None
    quiet: float | None = None
    quiet_latency: Quantiles | None = None
    messages: int | None = None
    delays: Delays | None = field(default=None, repr=False, compare=False)


def quantiles(delays: Delays) -> Quantiles | None:
    """Return the three quantiles of what arrives."""
    if delays.delivered <= 0:
        return None
    return Quantiles(*(delays.quantile_s(share) for share in SHARES))


def link_states(loss: FrameLoss | None, octets: int) -> LossStates | None:
    """Return the good and bad times of links for frames of a length; None where losses come alone."""
    if loss is None or loss.runs is None:
        return None
    runs = loss.runs
    return LossStates(
        loss.of(octets, runs.good), loss.of(octets, runs.bad), runs.bad_ms / 1000, runs.bad_share
    )


def served(stream: MessageStream) -> bool:
    """Return whether a stream is somebody's messages from end to end."""
    return not stream.is_upkeep and stream.way in ("up", "down")


def slot_services(
    traffic: Traffic,
    access: Access,
    slots: Slots,
    loss: FrameLoss | None,
    within_s: float | None,
    queues: Sequence[NodeQueues],
    played: Mapping[StreamHop, PlayedQueue],
) -> Iterator[HopService]:
    """Yield how messages arrive in slots: links exact, queues as they were played, else each by itself."""
    for stream in filter(served, traffic.streams):
        up = stream.way == "up"
        cells = slots.cells if up else slots.cells_down
        worst = _worst_ways(traffic.tree, stream, queues)
        for hop in sorted(worst):
            queued, queue_s = worst[hop]
            if not cells:
                yield HopService(
                    stream.flow, stream.message, stream.way, hop, len(stream.first), 0.0, None, 0.0, None, None
                )  # fmt: skip
                continue
            found = _delays(stream, hop, access, slots, cells)
            apart = slots.slotframe_s / cells
            told = played.get((stream.flow, stream.message, stream.way, hop))
            if told is not None:
                queued, queue_s = told.queued, max(told.mean_s - found.mean_s, 0.0)
            in_time = None if within_s is None else found.within(within_s - queue_s) * queued
            yield HopService(
                stream.flow, stream.message, stream.way, hop, len(stream.first),
                path_share(stream, hop, access.retries + 1),
                runs_share(stream, hop, access.retries + 1, loss, apart), 0.0, quantiles(found), in_time,
                queued, queue_s, delays=found,
            )  # fmt: skip


def _worst_ways(
    tree: Tree, stream: MessageStream, queues: Sequence[NodeQueues]
) -> dict[int, tuple[float, float]]:
    """Return for each hop the way with the fullest queues: the chance of a place in all, and the seconds they add."""
    places, added = [1.0], [0.0]
    for node in range(1, len(tree.parents)):
        queue = queues[node].up if stream.way == "up" else queues[node].down
        free = 1.0 if queue is None else (1 - queue.full) ** len(stream.first)
        places.append(places[tree.parents[node]] * free)
        added.append(added[tree.parents[node]] + (0.0 if queue is None else queue.adds_s))
    worst: dict[int, tuple[float, float]] = {}
    hops = tree.hops
    for node in stream.senders:
        before = worst.get(hops[node], (1.0, 0.0))
        worst[hops[node]] = min(before[0], places[node]), max(before[1], added[node])
    return worst


def path_share(stream: MessageStream, hops: int, attempts: int) -> float:
    """Return the share of messages that pass so many hops, losses independent: every frame over every hop."""
    share = 1.0
    for index in range(hops):
        for frame in stream.on_hop(index):
            share *= frame.tries(attempts).delivered
    return share


def runs_share(
    stream: MessageStream, hops: int, attempts: int, loss: FrameLoss | None, apart_s: float
) -> float | None:
    """Return the same with losses in runs and tries ``apart_s`` apart; None where the design states no runs."""
    share = 1.0
    for index in range(hops):
        frames = stream.on_hop(index)
        states = link_states(loss, max(frame.octets for frame in frames))
        if states is None:
            return None
        share *= delivered_in_runs(states, apart_s, attempts, len(frames))
    return share


def _delays(stream: MessageStream, hops: int, access: Access, slots: Slots, cells: int) -> Delays:
    chances = [_chance(stream.on_hop(index)) for index in range(hops)]
    attempts, frames = access.retries + 1, len(stream.first)
    slot_s = slots.template.length / 1e6
    if slots.order == "random":
        first = _random_hop(cells, slots.slotframe, slot_s, chances[0], attempts, frames)
        if hops == 1:
            return first
        later = _random_hop(cells, slots.slotframe, slot_s, chances[1], attempts, frames)
        return in_turn([(first, 1), (later, hops - 1)])
    step = 1 if slots.order == _with(stream) else -1
    return _ordered_path(cells, step, slots.slotframe, slot_s, tuple(chances), attempts, frames)


def _with(stream: MessageStream) -> CellOrder:
    """Return the order of cells that goes along with a stream."""
    return "up" if stream.way == "up" else "down"


def _chance(frames: tuple[CarriedFrame, ...]) -> float:
    """Return the chance that one try brings a frame on; the next frame waits until its sender knows of it."""
    if len(frames) == 1:
        return 1 - frames[0].loss
    return min((1 - frame.loss) * (1 - frame.answer_loss) for frame in frames)


@lru_cache(maxsize=256)  # streams of frames alike, and designs with one change
def _ordered_path(
    cells: int, step: int, slotframe: int, slot_s: float, chances: tuple[float, ...], attempts: int, frames: int
) -> Delays:  # fmt: skip
    """Return the latency over hops with these chances, whose cells come so many slots after those before."""
    ways = [even_cells(cells, slotframe, index * step) for index in range(len(chances))]
    return path_latency(ways, slotframe, slot_s, chances, attempts, frames)


@cache
def _random_hop(
    cells: int, slotframe: int, slot_s: float, succeeds: float, attempts: int, frames: int
) -> Delays:
    return hop_latency(even_cells(cells, slotframe), slotframe, slot_s, succeeds, attempts, frames)
