"""A burst played many times over a path, with the usual messages of the network around it."""

from collections.abc import Iterable, Sequence
from math import inf
from random import Random
from typing import NamedTuple

from lowpanbudget.deployment.contention_air import Air
from lowpanbudget.deployment.contention_network import rules_of
from lowpanbudget.deployment.contention_rules import Sending
from lowpanbudget.deployment.contention_ways import pause_us, simulated_frame, stream_ways
from lowpanbudget.deployment.load import loads
from lowpanbudget.deployment.ranges import reception_of
from lowpanbudget.deployment.service import link_states
from lowpanbudget.deployment.slot_latency import even_cells
from lowpanbudget.deployment.slot_messages import UsualSending, usual_arrivals, usual_sendings
from lowpanbudget.deployment.slot_run import Arrival, SlotLink, run_slots
from lowpanbudget.deployment.traffic import CarriedFrame, Traffic, is_below
from lowpanbudget.design.access import Access, Slots
from lowpanbudget.design.goals import Burst
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.tree import Tree
from lowpanbudget.errors import RequestError

_SETTLES_S = 30.0  # usual traffic before the burst
_MOST_MESSAGES = 300_000  # of them in a run: all runs take an hour
_DRAINS_S = 600.0  # how long is waited for what is still on its way

_CAUSES = {
    "queue": "queue",
    "access": "access",
}  # all others: used up the tries, or is still on its way

Frames = tuple[tuple[CarriedFrame, ...], ...]  # of a packet on the first hop and on later ones


class BurstRun(NamedTuple):
    """One run: seconds from the first packet to each arrival (None: lost), what lost it on which hop, queues by hop.

    What lost it: a full ``queue``, a channel that was busy too often (``access``), or the ``link`` with all its tries.
    Queues are told until no frame of a packet waits: from then on the last lengths are what usual messages keep there;
    none where they are not kept.
    ``air_s``: how long all its packets were on the air together, acknowledgements included (None: not counted);
    ``worst_s`` the most that each node on the way was for them within the window of the design's limits.
    """

    arrived_s: tuple[float | None, ...]
    lost: tuple[str, ...]
    lost_at: tuple[int, ...]
    lengths: tuple[tuple[tuple[float, int], ...], ...]
    air_s: float | None = None
    worst_s: tuple[float, ...] = ()


def refuse_crowds(traffic: Traffic, burst: Burst) -> None:
    """Raise ``RequestError`` where so many usual messages are sent around a burst that to play them has no end."""
    rates = {one.name: len(one.senders) / one.every_s for one in traffic.streams}
    each = sum(rates.values()) * (_SETTLES_S + burst.packets * burst.every_s)
    if each > _MOST_MESSAGES:
        most = max(rates, key=lambda name: rates[name])
        raise RequestError(
            f"too many usual messages are sent around burst {burst.name!r} to play them, {each:.0f} in each run: "
            f"{round(rates[most], 1):g} a second are {most}",
            hint=f"Up to {_MOST_MESSAGES} are: raise every_s of what is sent so often, or make the burst shorter",
        )


def slot_runs(
    design: Design, traffic: Traffic, way: tuple[int, ...], frames: Frames, burst: Burst, runs: Iterable[int],
    seed: int, *, keeps_queues: bool,
) -> list[BurstRun]:  # fmt: skip
    """Return runs in slots: cells as their order says, each run at another time of the slotframe."""
    access = design.access
    if access is None or access.slots is None:
        return []
    usual = tuple(usual_sendings(traffic, loads(traffic, access.retries + 1)))
    return [
        _slot_run(
            design,
            access,
            access.slots,
            traffic.tree,
            usual,
            way,
            frames,
            burst,
            seed * 1_000_003 + run,
            keeps_queues=keeps_queues,
        )
        for run in runs
    ]


def _slot_run(
    design: Design, access: Access, slots: Slots, tree: Tree, sendings: Sequence[UsualSending], way: tuple[int, ...],
    frames: Frames, burst: Burst, seed: int, *, keeps_queues: bool,
) -> BurstRun:  # fmt: skip
    random = Random(seed)  # noqa: S311  # no secret: a run that can be repeated
    hops = tree.hops
    depth, slot_s = max(hops), slots.template.length / 1e6
    longest = max((frame for hop in frames for frame in hop), key=lambda frame: frame.octets)
    queue = design.queue
    are_shared = queue is not None and queue.shared
    links = [
        SlotLink(
            _cells(slots, slots.cells, depth - hop, random), longest.loss, longest.answer_loss,
            node if are_shared else None,
        )
        for node, hop in enumerate(hops)
    ]  # fmt: skip
    if queue is not None and queue.shared and slots.cells_down:
        # what goes down takes places of what goes up, and has cells of its own
        links += [
            SlotLink(
                _cells(slots, slots.cells_down, -hop, random), longest.loss, longest.answer_loss, parent,
                queue.of(parent),
            )
            for parent, hop in zip(tree.parents, hops, strict=True)
        ]  # fmt: skip
    begins = _SETTLES_S + random.random() * slots.slotframe_s
    until = begins + burst.packets * burst.every_s
    usual = [
        arrival
        for _, arrival in usual_arrivals(sendings, until, random)
        if arrival.way[0] < len(links)  # what goes up, or all
    ]
    below = is_below(design, burst.flow)
    # a link has the number of the node that sends over it
    packets = [
        Arrival(
            begins + number * burst.every_s,
            way[:-1],
            len(frames[0]),
            design.link.recoverable or below,
            not below,
        )
        for number in range(burst.packets)
    ]
    places = None if queue is None else queue.frames
    kept = way[:-1] if keeps_queues else ()
    found = run_slots(
        [*packets, *usual], links, slotframe=slots.slotframe, slot_s=slot_s, attempts=access.retries + 1,
        places=places, seed=random.getrandbits(64), runs=link_states(design.loss, longest.octets), trace=kept,
        counted_s=(inf, inf),
    )  # fmt: skip
    places_on_way = {node: hop for hop, node in enumerate(way)}
    count = burst.packets
    return BurstRun(
        tuple(None if at is None else at - begins for at in found.arrived_s[:count]),
        tuple(cause or "" for cause in found.lost[:count]),
        tuple(-1 if at is None else places_on_way[at] for at in found.lost_at[:count]),
        tuple(tuple((at - begins, length) for at, length in found.lengths[node]) for node in kept),
    )  # fmt: skip


def _cells(slots: Slots, count: int, step: int, random: Random) -> tuple[int, ...]:
    """Return the cells of a link, so many, that is so many steps further along the way to the root."""
    places = {"up": step, "down": -step}
    first = places.get(slots.order, random.randrange(slots.slotframe))
    return even_cells(count, slots.slotframe, first)


def contention_runs(
    design: Design, traffic: Traffic, way: tuple[int, ...], frames: Frames, burst: Burst, runs: Iterable[int],
    seed: int, *, keeps_queues: bool,
) -> list[BurstRun]:  # fmt: skip
    """Return runs on a channel where nodes listen first."""
    access = design.access
    if access is None:
        return []
    first, later = (tuple(map(simulated_frame, hop)) for hop in frames)
    below, several = is_below(design, burst.flow), len(first) > 1
    recovers = design.link.recoverable and several
    pause = pause_us(traffic.tree, way, frames[0]) if recovers else 0.0
    sendings = [
        *(one.sending for one in stream_ways(traffic, loads(traffic, access.retries + 1))),
        Sending(way, inf, first, later, recovers or (below and several), pause, not below),
    ]
    answer = max((frame.answer_us for sending in sendings for frame in sending.frames), default=0.0)
    rules = rules_of(access, design.link.timing, answer)
    states = link_states(design.loss, max(frame.octets for frame in frames[0]))
    reception = reception_of(traffic.tree)
    window_s = inf if design.limits is None else design.limits.window_s
    found = []
    for run in runs:
        air = Air(
            rules, reception, sendings, design.queue, seed * 1_000_003 + run, states, keeps=True
        )
        air.play(until_us=_SETTLES_S * 1e6)
        numbers = air.plan(
            len(sendings) - 1, [n * burst.every_s * 1e6 for n in range(burst.packets)]
        )
        found.append(_contention_run(air, numbers, way, burst, window_s, keeps_queues=keeps_queues))
    return found


def _contention_run(
    air: Air,
    numbers: range,
    way: tuple[int, ...],
    burst: Burst,
    window_s: float,
    *,
    keeps_queues: bool,
) -> BurstRun:
    begins = _SETTLES_S * 1e6
    ends = begins + burst.packets * burst.every_s * 1e6
    air.play(until_us=ends)
    while not _is_over(air, numbers) and air.now < ends + _DRAINS_S * 1e6:
        air.play(until_us=air.now + 1e6)
    hops = {node: hop for hop, node in enumerate(way)}
    outcomes = [air.log.end(number) for number in numbers]
    lengths: list[list[tuple[float, int]]] = [[] for _ in way[:-1]] if keeps_queues else []
    for at, node, length in air.lengths:
        if node in hops and hops[node] < len(lengths):
            lengths[hops[node]].append(((at - begins) / 1e6, length))
    sent: dict[int, list[tuple[float, float]]] = {node: [] for node in way}
    for at, node, us in sorted(one for number in numbers for one in air.fired[number]):
        sent[node].append((at, us))
    return BurstRun(
        tuple(None if at is None else (at - begins) / 1e6 for at, _, _ in outcomes),
        tuple("" if at is not None else _CAUSES.get(cause, "link") for at, cause, _ in outcomes),
        tuple(-1 if at is not None else hops.get(node, -1) for at, _, node in outcomes),
        tuple(map(tuple, lengths)), sum(us for times in sent.values() for _, us in times) / 1e6,
        tuple(_worst_us(sent[node], window_s * 1e6) / 1e6 for node in way),
    )  # fmt: skip


def _is_over(air: Air, numbers: range) -> bool:
    """Return whether these messages arrived or were lost, and no frame of them waits anywhere."""
    is_settled = all(map(air.log.is_settled, numbers))
    return is_settled and not any(number in numbers for number in air.waiting())


def _worst_us(sent: Sequence[tuple[float, float]], window_us: float) -> float:
    """Return the most that one node was on the air in a window; ``sent`` are the beginnings and lengths of its frames.

    No window has more of them than one of those that end with a frame.
    """
    worst = inside = 0.0
    first = 0
    for at, us in sent:
        inside += us
        begins = at + us - window_us
        while sum(sent[first]) <= begins:
            inside -= sent[first][1]
            first += 1
        worst = max(worst, inside - max(begins - sent[first][0], 0.0))
    return worst
