"""What the loads along a design's tree prove: cells, slots and places that are too few for what comes through."""

from collections.abc import Iterator
from operator import itemgetter

from lowpanbudget.deployment.carry import carry
from lowpanbudget.deployment.checks import may_refuse
from lowpanbudget.deployment.load import NodeLoad, loads
from lowpanbudget.deployment.node_queues import full_nodes, node_queues
from lowpanbudget.deployment.traffic import Traffic, traffic_of
from lowpanbudget.design.access import Access
from lowpanbudget.design.waiting import SendQueue
from lowpanbudget.errors import plural
from lowpanbudget.findings.draft import Deployment
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject

LOADS = Subject("loads")
# the part of what a queue may refuse from which on, calculated by itself, it is worth being played: our choice
_NEAR = 0.1


def _loaded(deployment: Deployment) -> Iterator[tuple[Access, Traffic, tuple[NodeLoad, ...]]]:
    """Yield the loads of a design, where it has what they take."""
    design = deployment.design
    if design.access is not None and design.tree is not None:
        traffic = traffic_of(design, deployment.sent)
        access = design.access.on(design.link)
        yield access, traffic, loads(traffic, access.retries + 1)


@LOADS.rule("too-few-cells", Deployment)
def too_few_cells(_: Deployment, deployment: Deployment) -> Hits:
    """Compare the cells that each link needs, retries and upkeep included, with those that it has."""
    for access, traffic, nodes in _loaded(deployment):
        if access.slots is None:
            continue
        short: list[tuple[int, int, int, int, float, str]] = []
        for node in nodes[1:]:
            parent = traffic.tree.names[node.parent]
            for load, there, ends in (
                (node.up, access.slots.cells, f"link {node.name} to {parent}"),
                (node.down, access.slots.cells_down, f"link {parent} to {node.name}"),
            ):
                needed = load.cells_needed(access.slots.slotframe_s)
                if needed > there:
                    short.append(
                        (needed - there, -len(short), needed, there, load.tries_per_s, ends)
                    )
        if short:
            needed, there, tries, ends = max(short)[2:]
            others = (
                f"{plural(len(short), 'link')} of the tree so"
                if len(short) > 1
                else "no other link so"
            )
            cause = f"it needs {plural(needed, 'cell')} a slotframe and has {there}"
            yield Hit(
                cause, (f"{tries:.3g} transmissions a second, retries counted; {others}",), ends
            )


@LOADS.rule("more-cells-than-slots", Deployment)
def more_cells_than_slots(_: Deployment, deployment: Deployment) -> Hits:
    """Add up the cells of each node: it sends or receives in a slot, never both."""
    for access, traffic, _nodes in _loaded(deployment):
        slots = access.slots
        if slots is None:
            continue
        links, name = max(
            zip(traffic.tree.links(), traffic.tree.names, strict=True), key=itemgetter(0)
        )
        taken = slots.taken(links)
        if taken > slots.slotframe:
            cause = f"its links and the shared cells take {taken} slots, a slotframe has {slots.slotframe}"
            yield Hit(cause, (), f"node {name}")


@LOADS.rule("queue-overflows", Deployment)
def queue_overflows(_: Deployment, deployment: Deployment) -> Hits:
    """Take each queue as it is played, where its cells are enough at all and it may be full at times."""
    design = deployment.design
    allowed, network = may_refuse(design.limits), deployment.network
    for access, _traffic, nodes in _loaded(deployment) if design.queue is not None else ():
        if design.queue is None or access.slots is None:
            continue
        if network is None and _fullest(nodes, access, design.queue) > allowed * _NEAR:
            network = carry(design)
        full = {
            node.name: node.queue_full
            for node in (() if network is None else network.nodes)
            if node.queue_full is not None and (node.cells_needed or 0) <= (node.cells or 0)
            and node.queue_full - node.queue_half_width > allowed
        }  # fmt: skip
        if full:
            name = max(full, key=lambda one: full[one])
            places = plural(design.queue.frames, "place")
            cause = f"{full[name] * 100:.1f} % of the frames find its {places} taken"
            yield Hit(cause, (), f"node {name}")


def _fullest(nodes: tuple[NodeLoad, ...], access: Access, places: SendQueue) -> float:
    """Return the greatest share that a queue by itself refuses: those along a path depend on each other.

    Where the links of a node share its places, it is the chance that all of them are taken, if that is more.
    """
    queues = node_queues(nodes, access, places)
    full = [queue.up.full for queue in queues if queue.up is not None]
    shared = full_nodes(nodes, queues, places)
    return max([*full, *(chance for node, chance in shared.items() if node)], default=0.0)


@LOADS.rule("reports-overflow-queue", Deployment)
def reports_overflow_queue(_: Deployment, deployment: Deployment) -> Hits:
    """Count the frames that come together at one node when all nodes report at once."""
    queue = deployment.design.queue
    for _access, traffic, nodes in _loaded(deployment) if queue is not None else ():
        streams = [
            one
            for one in traffic.streams
            if one.way == "up" and not one.is_upkeep and len(one.senders) > 1
        ]
        if queue is None or not streams:
            continue
        stream = max(streams, key=lambda one: len(one.forwarded))
        # the root's own queue holds nothing that goes up
        node = max(nodes[1:], key=lambda one: one.behind)
        frames = (node.behind + 1) * len(stream.forwarded)
        if node.behind and frames > queue.frames >= len(stream.forwarded):
            cause = (
                f"{node.behind + 1} nodes that send at once bring up to {plural(frames, 'frame')} to its "
                f"{plural(queue.frames, 'place')}"
            )
            yield Hit(cause, (f"{stream.message} on flow {stream.flow}",), f"node {node.name}")
