"""``carry``: whether a network carries its messages, and what decides."""

from collections.abc import Iterable, Mapping, Sequence

from lowpanbudget.arguments import whole_number
from lowpanbudget.deployment.airtime import MessageAirtime, airtime
from lowpanbudget.deployment.carried import (
    CarriedNetwork,
    CarriedNode,
    LimitCheck,
    Rhythm,
    SleepWait,
)
from lowpanbudget.deployment.checks import checks_of
from lowpanbudget.deployment.contention_network import PlayedContention, SimulatedNetwork
from lowpanbudget.deployment.fragments import with_acknowledgements
from lowpanbudget.deployment.held import HeldLoss, HeldMessage, held_losses, with_places
from lowpanbudget.deployment.life import draws
from lowpanbudget.deployment.load import NodeLoad, in_cells, loads
from lowpanbudget.deployment.node_queues import NodeQueues, node_queues
from lowpanbudget.deployment.open_limits import open_limits, unfollowed_beside, unlaid
from lowpanbudget.deployment.played_load import HopLoad, as_played
from lowpanbudget.deployment.polls import held_s, polled_service, sleeping_nodes
from lowpanbudget.deployment.ranges import reception_of
from lowpanbudget.deployment.sent_again import Doubts
from lowpanbudget.deployment.service import HopService
from lowpanbudget.deployment.services_together import together, unjudged
from lowpanbudget.deployment.slot_messages import StreamHop
from lowpanbudget.deployment.slot_play import PlayedSlots, PlayedStream
from lowpanbudget.deployment.slot_service import slot_services
from lowpanbudget.deployment.taken import taken_words
from lowpanbudget.deployment.traffic import MessageStream, Traffic, traffic_of
from lowpanbudget.design.access import Access, Slots
from lowpanbudget.design.answer import sent_until_acknowledged
from lowpanbudget.design.lacking import lacking
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import plural
from lowpanbudget.values import replace

_TRANSMISSIONS = 40_000  # of a round of a network in slots
_ROUNDS = 18  # where it is too close to tell


def carry(design: Design, *, seed: int = 1) -> CarriedNetwork:
    """Return whether the network of a design carries its messages, and what each node of the tree has to do for it.

    In slots links are exact, and queues and losses in runs are played, longer where it is close; contention is played.
    Both from ``seed``.
    Answers are played apart from their requests, so that they meet less than on the air; confirmable messages are sent
    once, and not again as RFC 7252 section 4.2 has it.
    Raises ``RequestError`` for what is no design, a design without ``[access]`` or ``[tree]``, a PHY without timing.
    """
    design = Design.of(design)
    seed = whole_number(seed, "seed")
    if design.access is None or design.tree is None:
        raise lacking(design, "access", "tree")
    return judged(design, design.access, airtime(design), seed)


def judged(
    design: Design,
    access: Access,
    messages: Sequence[MessageAirtime],
    seed: int,
    transmissions: int | None = None,
    services: Sequence[HopService] | None = None,
    hops: Sequence[HopLoad] = (),
    rounds: int | None = None,
) -> CarriedNetwork:
    """Return the same from the airtimes of a design's messages.

    ``transmissions`` bounds a simulation, ``rounds`` how often it goes on where it is too close to tell; ``services``
    and ``hops`` stand for what contention would give where that is not to be played again; with them the queues of
    slots are not played either, but calculated one by one, as if each had its places: where they are shared more is
    lost.
    """
    traffic = with_acknowledgements(design, traffic_of(design, messages))
    network = _judged(
        design, access.on(design.link), messages, traffic, seed, transmissions, services, hops, rounds or _ROUNDS
    )  # fmt: skip
    within_s = None if design.limits is None else design.limits.latency_s
    in_slots = network.nodes if access.slots is not None else ()
    over = {node.name: node.used for node in in_slots if node.used > 1}
    doubts = Doubts(
        traffic, network.services, sent_until_acknowledged(design.flows), within_s, over
    )
    if doubts.are_none:
        return network
    return replace(
        network, checks=checks_of(
            design, messages, traffic, network.nodes, network.services, network.sleep, told=doubts.of
        ),
    )  # fmt: skip


def _judged(
    design: Design, access: Access, messages: Sequence[MessageAirtime], traffic: Traffic, seed: int,
    transmissions: int | None, services: Sequence[HopService] | None, hops: Sequence[HopLoad], rounds: int,
) -> CarriedNetwork:  # fmt: skip
    nodes = loads(traffic, access.retries + 1)
    untold = tuple(unlaid(traffic.tree, access.slots))
    within = None if design.limits is None else design.limits.latency_s
    is_limited = within is not None or (
        design.limits is not None and design.limits.delivery is not None
    )

    def network(
        loaded: Sequence[NodeLoad], queues: Sequence[NodeQueues], found: Sequence[HopService],
        played: SimulatedNetwork | None = None, hops: Sequence[HopLoad] = (),
    ) -> CarriedNetwork:  # fmt: skip
        carried = tuple(_nodes(design, access, traffic, loaded, queues))
        held = _held(design, traffic, loaded)
        sleep = _sleep(design, loaded, held)
        found = tuple(_held_services(held, found))
        checks = checks_of(design, messages, traffic, carried, found, sleep)
        return CarriedNetwork(
            design.title, checks, tuple(_rhythms(traffic)), carried, found, sleep,
            None if played is None else played.result, None if played is None else played.in_runs,
            traffic.unknown, seed, tuple(hops), tuple(taken_words(design, traffic)), tuple(unjudged(found)),
            () if played is None else played.hastened, is_limited, tuple(together(found)),
            tuple(_over_frames(design, messages)), (*untold, *open_limits(design, traffic)),
            tuple(unfollowed_beside(design, traffic)),
        )  # fmt: skip

    slots = access.slots
    if slots is None:
        queues = node_queues(nodes, access, design.queue)
        if services is not None or not any(map(_receivers, traffic.streams)):
            loaded = as_played(nodes, hops) if hops else nodes
            return network(loaded, queues, services or (), None, hops)
        contention = PlayedContention(design, traffic, nodes, access, seed, transmissions)
        while True:
            rounds -= 1
            played = contention.result()
            loaded = as_played(nodes, played.hops)
            carried = network(loaded, queues, played.services, played, played.hops)
            is_open = carried.is_close or (
                carried.is_unchecked and carried.lacks_arrivals and carried.not_checked
            )
            if transmissions is not None or not rounds or not is_open or not contention.play_on():
                return carried

    if untold:
        return network(nodes, (), ())

    def slotted(
        queues: Sequence[NodeQueues], told: Mapping[StreamHop, PlayedStream]
    ) -> CarriedNetwork:
        found = slot_services(traffic, access, slots, design.loss, within, queues, told)
        return network(nodes, queues, tuple(_polled(design, traffic, found, nodes, slots)))

    play = PlayedSlots(
        traffic, nodes, access, slots, design.loss, design.queue, within, seed, transmissions or _TRANSMISSIONS
    )  # fmt: skip
    if services is not None or play.is_idle:
        carried = slotted(node_queues(nodes, access, design.queue), {})
        if services is not None or not any(check.is_close for check in carried.checks):
            return carried
    play.play()
    carried = slotted(play.queues(), play.streams())
    for _ in range(rounds - 1):
        is_open = any(map(_is_doubtful, carried.checks)) and all(
            check.holds or _is_doubtful(check) for check in carried.checks
        )
        if transmissions is not None or not (is_open or play.tells_soon):
            break
        if _is_too_rare(carried) and not play.tells_within(_ROUNDS):
            break
        play.play()
        carried = slotted(play.queues(), play.streams())
    return carried


def _is_too_rare(network: CarriedNetwork) -> bool:
    """Return whether it is open what is in time of a kind of which too few were played."""
    latency = next((check for check in network.checks if check.matter == "latency"), None)
    if latency is None or not latency.is_close:
        return False
    rare = (one for one in network.services if one.in_time_least is not None)
    return latency.about in {f"{one.flow} {one.message}, {plural(one.hop, 'hop')}" for one in rare}


def _is_doubtful(check: LimitCheck) -> bool:
    """Return whether it is too close to tell, or would be if what was played left twice as much open.

    Of many rows that are played one falls short by chance now and then.
    """
    best = check.strain * check.allowed
    return check.is_close or (not check.holds and 2 * best - check.measured <= check.allowed < best)


def _over_frames(design: Design, messages: Sequence[MessageAirtime]) -> Iterable[str]:
    """Yield the messages that take more frames than their flow allows, with the hop."""
    allowed = {flow.name: flow.most_frames for flow in design.flows}
    for one in messages:
        most = allowed.get(one.flow, one.count)
        if one.count > most:
            yield f"{one.flow} {one.message}, {one.hop} hop ({one.count}, {most} allowed)"


def _receivers(stream: MessageStream) -> tuple[int, ...]:
    """Return the nodes between which a stream goes; none where it is to all that are near."""
    return () if stream.way in ("near", "flood") else stream.senders


def _rhythms(traffic: Traffic) -> Iterable[Rhythm]:
    for one in traffic.streams:
        yield Rhythm(
            one.flow, one.message, one.reading_every_s, one.readings, one.every_s, len(one.first)
        )


def _nodes(
    design: Design,
    access: Access,
    traffic: Traffic,
    nodes: Sequence[NodeLoad],
    queues: Sequence[NodeQueues],
) -> Iterable[CarriedNode]:
    """Yield what each node carries; without ``queues`` nothing is said of these, nor of batteries."""
    children = traffic.tree.children()
    ranges, slots = reception_of(traffic.tree), access.slots
    on_air = nodes if slots is None else in_cells(nodes, slots)
    drawn = draws(design, on_air, children) if queues else (None,) * len(nodes)
    sent = [node.on_air([on_air[child] for child in children[node.node]]) for node in on_air]
    shared: float | None
    for node in nodes:
        if slots is not None:
            used = node.up.tries_per_s * slots.slotframe_s / slots.cells if slots.cells else 0.0
            around = (node.node, *ranges.disturbs[node.node])
            shared = sum(nodes[one].near.frames_per_s for one in around) * slots.slotframe_s
        else:
            used = sent[node.node] + sum(sent[other] for other in ranges.hears[node.node])
            shared = None
        parent = "" if node.parent < 0 else traffic.tree.names[node.parent]
        queue, draw = queues[node.node].up if queues else None, drawn[node.node]
        if queue is not None and queue.grows:
            queue = None
        yield CarriedNode(
            node.name, node.hop, parent, node.behind, node.own_per_s,
            node.own.frames_per_s, node.up.frames_per_s, node.up.tries_per_s,
            node.down.tries_per_s,
            None if slots is None else node.up.cells_needed(slots.slotframe_s), None if slots is None else slots.cells,
            None if slots is None else node.down.cells_needed(slots.slotframe_s),
            None if slots is None else slots.cells_down,
            used, shared, None if queue is None else queue.frames, None if queue is None else queue.wait_s,
            None if queue is None else queue.full, sent[node.node], None if draw is None else draw.current_ua,
            None if draw is None else draw.days, draw is not None and draw.always_listens,
            () if draw is None else draw.parts, 0.0 if queue is None else queue.half_width,
        )  # fmt: skip


def _polled(
    design: Design, traffic: Traffic, services: Iterable[HopService], nodes: Sequence[NodeLoad], slots: Slots
) -> Iterable[HopService]:  # fmt: skip
    """Yield the services with the wait for a poll where some nodes of the hop sleep: the worst ones tell."""
    asleep = sleeping_nodes(design, traffic.tree)
    within_s = None if design.limits is None else design.limits.latency_s
    for one in services:
        at_hop = [node for node in nodes if node.node in asleep and node.hop == one.hop]
        if design.sleep is not None and one.direction == "down" and at_hop:
            # what a queue on the way refuses is not held
            held = held_s(at_hop, slots, design.sleep) * (1.0 if one.queued is None else one.queued)
            yield polled_service(one, design.sleep.poll_s, within_s, held)
        else:
            yield one


def _held(
    design: Design, traffic: Traffic, nodes: Sequence[NodeLoad]
) -> Mapping[HeldMessage, HeldLoss]:
    """Return what finds no places to wait for a poll, of each message to nodes that sleep."""
    if design.sleep is None:
        return {}
    return held_losses(traffic, nodes, design.sleep, sleeping_nodes(design, traffic.tree))


def _held_services(
    held: Mapping[HeldMessage, HeldLoss], services: Iterable[HopService]
) -> Iterable[HopService]:
    """Yield the services without what finds no places to wait for a poll, where some nodes of the hop sleep."""
    for one in services:
        loss = held.get((one.flow, one.message, one.hop)) if one.direction == "down" else None
        yield one if loss is None else with_places(one, loss)


def _sleep(
    design: Design, nodes: Sequence[NodeLoad], held: Mapping[HeldMessage, HeldLoss]
) -> SleepWait | None:
    sleep = design.sleep
    if sleep is None:
        return None
    leaves = sum(1 for node in nodes if node.node and not node.behind)
    wait = SleepWait(leaves, sleep.poll_s / 2, 0.95 * sleep.poll_s, None)
    if not held:
        return wait
    (flow, message, _), worst = max(held.items(), key=lambda one: one[1].messages)
    return replace(
        wait, held_full=worst.messages, held_message=f"{flow} {message}", held_takes=worst.takes
    )
