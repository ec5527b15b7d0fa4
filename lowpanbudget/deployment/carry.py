"""``carry``: whether a network carries its messages, and what decides."""

from collections.abc import Iterable, Sequence

from lowpanbudget.deployment.airtime import MessageAirtime, airtime
from lowpanbudget.deployment.carried import CarriedNetwork, CarriedNode, Rhythm, SleepWait
from lowpanbudget.deployment.checks import checks_of
from lowpanbudget.deployment.contention_network import SimulatedNetwork, simulated
from lowpanbudget.deployment.life import Draw, draws
from lowpanbudget.deployment.link_queue import LinkQueue, link_queue, poisson
from lowpanbudget.deployment.load import LinkLoad, NodeLoad, loads
from lowpanbudget.deployment.ranges import reception_of
from lowpanbudget.deployment.service import slot_services
from lowpanbudget.deployment.traffic import Traffic, traffic_of
from lowpanbudget.design.access import Access, Slots
from lowpanbudget.design.lacking import lacking
from lowpanbudget.design.meaning import Design

_ENDLESS = 64  # places of a queue that stand for any number


def carry(design: Design, *, seed: int = 1) -> CarriedNetwork:
    """Return whether the network of a design carries its messages, and what each node of the tree has to do for it.

    Slots are calculated exactly, for empty queues and one queue at a time; contention is simulated from ``seed``. Raises
    ``RequestError`` for what is no design, one without ``[access]`` or ``[tree]``, or a PHY whose timing is not known.
    """
    design = Design.of(design)
    if design.access is None:
        raise lacking("access")
    if design.tree is None:
        raise lacking("tree")
    return judged(design, design.access, airtime(design), seed)


def judged(
    design: Design,
    access: Access,
    messages: Sequence[MessageAirtime],
    seed: int,
    transmissions: int | None = None,
) -> CarriedNetwork:
    """Return the same from the airtimes of a design's messages; ``transmissions`` bounds the simulation."""
    traffic = traffic_of(design, messages)
    nodes = loads(traffic, access.retries + 1)
    within = None if design.limits is None else design.limits.latency_s
    played: SimulatedNetwork | None = None
    if access.slots is not None:
        services = tuple(slot_services(traffic, access, access.slots, design.loss, within))
    elif any(stream.way in ("up", "down") for stream in traffic.streams):
        bound = {} if transmissions is None else {"transmissions": transmissions}
        played = simulated(design, traffic, access, seed, **bound)
        services = played.services
    else:
        services = ()
    carried = tuple(_nodes(design, access, traffic, nodes))
    sleep = _sleep(design, nodes)
    checks = checks_of(design, messages, traffic, carried, services, sleep)
    return CarriedNetwork(
        design.title, checks, tuple(_rhythms(traffic)), carried, services, sleep,
        None if played is None else played.result, None if played is None else played.in_runs,
        traffic.unknown, seed,
    )  # fmt: skip


def _rhythms(traffic: Traffic) -> Iterable[Rhythm]:
    for one in traffic.streams:
        yield Rhythm(
            one.flow, one.message, one.reading_every_s, one.readings, one.every_s, len(one.first)
        )


def _nodes(
    design: Design, access: Access, traffic: Traffic, nodes: Sequence[NodeLoad]
) -> Iterable[CarriedNode]:
    children = traffic.tree.children()
    drawn = draws(design, nodes, children)
    sent = [_sent(node, [nodes[child] for child in children[node.node]]) for node in nodes]
    heard = reception_of(traffic.tree).hears if access.slots is None else ()
    places = _ENDLESS if design.queue is None else design.queue.frames
    queues: dict[tuple[tuple[int, float], ...], LinkQueue | None] = {}
    for node in nodes:
        draw = drawn[node.node]
        slots = access.slots
        queue = None
        if slots is not None and node.node:
            key = tuple(sorted(node.up.bundles.items()))
            if key not in queues:
                queues[key] = _queue(node.up, access, slots, places)
            queue = queues[key]
            used = node.up.tries_per_s * slots.slotframe_s / slots.cells if slots.cells else 0.0
        else:
            used = sent[node.node] + sum(sent[other] for other in heard[node.node]) if heard else 0.0
        yield _node(node, slots, used, queue, sent[node.node], draw, traffic)


def _node(
    node: NodeLoad, slots: Slots | None, used: float, queue: LinkQueue | None, sent: float, draw: Draw | None,
    traffic: Traffic,
) -> CarriedNode:  # fmt: skip
    cell_s = slots.slotframe_s / slots.cells if slots is not None and slots.cells else None
    return CarriedNode(
        node.name, node.hop, "" if node.parent < 0 else traffic.tree.names[node.parent], node.behind, node.own_per_s,
        node.up.frames_per_s, node.up.tries_per_s,
        None if slots is None else node.up.cells_needed(slots.slotframe_s), None if slots is None else slots.cells,
        None if slots is None else node.down.cells_needed(slots.slotframe_s),
        None if slots is None else slots.cells_down,
        used, None if queue is None else queue.mean_frames,
        None if queue is None or cell_s is None else queue.mean_wait * cell_s,
        None if queue is None else queue.full, sent, None if draw is None else draw.current_ua,
        None if draw is None else draw.days, draw is not None and draw.always_listens,
        () if draw is None else draw.parts,
    )  # fmt: skip


def _sent(node: NodeLoad, below: Sequence[NodeLoad]) -> float:
    """Return the part of time that a node is on the air: its frames to all, and acknowledgements of what it receives."""
    frames = node.up.air + node.near.air + sum(child.down.air for child in below)
    return frames + node.down.answer_air + sum(child.up.answer_air for child in below)


def _queue(up: LinkLoad, access: Access, slots: Slots, places: int) -> LinkQueue | None:
    """Return the queue of a link in the long run, None where it has no cells or nothing to send."""
    if not slots.cells or not up.frames_per_s:
        return None
    cell_s = slots.slotframe_s / slots.cells
    arrivals: Sequence[float] = (1.0,)
    for frames, per_s in up.bundles.items():
        arrivals = _summed(arrivals, poisson(per_s * cell_s, frames))
    # retries as they are on average over frames of all lengths
    succeeds = _success(up.tries_a_frame, access.retries + 1)
    return link_queue(arrivals, succeeds, access.retries + 1, places)


def _summed(one: Sequence[float], other: Sequence[float]) -> Sequence[float]:
    import numpy as np  # noqa: PLC0415

    return [float(chance) for chance in np.convolve(one, other)]


def _success(tries: float, attempts: int) -> float:
    """Return the chance of success with which a frame takes so many tries on average, of so many at most."""
    low, high = 1e-9, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        if (1 - (1 - middle) ** attempts) / middle > tries:
            low = middle
        else:
            high = middle
    return high


def _sleep(design: Design, nodes: Sequence[NodeLoad]) -> SleepWait | None:
    sleep = design.sleep
    if sleep is None:
        return None
    leaves = [node for node in nodes if node.node and not node.behind]
    coming = max((leaf.down.frames_per_s for leaf in leaves), default=0.0)
    full = None
    if coming:
        chances = poisson(coming * sleep.poll_s)
        full = 1 - sum(chances[: sleep.held_frames])
    return SleepWait(len(leaves), sleep.poll_s / 2, 0.95 * sleep.poll_s, full)
