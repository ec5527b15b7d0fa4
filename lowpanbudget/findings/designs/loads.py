"""What the loads along a design's tree prove: cells, slots and places that are too few for what comes through."""

from collections.abc import Iterator

from lowpanbudget.deployment.load import NodeLoad, loads
from lowpanbudget.deployment.node_queues import node_queues
from lowpanbudget.deployment.traffic import Traffic, traffic_of
from lowpanbudget.design.access import Access
from lowpanbudget.errors import plural
from lowpanbudget.findings.draft import Deployment
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject

LOADS = Subject("loads")
# the share of frames without a place that is worth a word where the design does not say what is to arrive: our choice
_FULL = 0.01


def _loaded(deployment: Deployment) -> Iterator[tuple[Access, Traffic, tuple[NodeLoad, ...]]]:
    """Yield the loads of a design, where it has what they take."""
    design = deployment.design
    if design.access is not None and design.tree is not None:
        traffic = traffic_of(design, deployment.messages)
        yield design.access, traffic, loads(traffic, design.access.retries + 1)


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
    for access, traffic, nodes in _loaded(deployment):
        slots = access.slots
        if slots is None:
            continue
        children = traffic.tree.children()
        each = slots.cells + slots.cells_down
        taken = {
            node.name: each * (len(children[node.node]) + (node.node > 0)) + slots.shared_cells
            for node in nodes
        }
        name = max(taken, key=lambda one: taken[one])
        if taken[name] > slots.slotframe:
            cause = f"its links and the shared cells take {taken[name]} slots, a slotframe has {slots.slotframe}"
            yield Hit(cause, (), f"node {name}")


@LOADS.rule("queue-overflows", Deployment)
def queue_overflows(_: Deployment, deployment: Deployment) -> Hits:
    """Calculate each queue in the long run, where its cells are enough at all."""
    queue, limits = deployment.design.queue, deployment.design.limits
    allowed = _FULL if limits is None or limits.delivery is None else 1 - limits.delivery
    for access, _traffic, nodes in _loaded(deployment) if queue is not None else ():
        slots = access.slots
        if queue is None or slots is None:
            continue
        full = {
            node.name: found.up.full
            for node, found in zip(nodes, node_queues(nodes, access, queue.frames), strict=True)
            if found.up is not None and node.up.cells_needed(slots.slotframe_s) <= slots.cells
        }
        name = max(full, key=lambda one: full[one], default="")
        if name and full[name] > allowed:
            cause = f"{full[name]:.1%} of the frames find its {plural(queue.frames, 'place')} taken"
            yield Hit(cause.replace("%", " %"), (), f"node {name}")


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
