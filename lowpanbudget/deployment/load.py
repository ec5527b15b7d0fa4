"""What every node of a tree carries: its own messages and those of the nodes behind it, with retries and upkeep.

Losses on the way do not thin out what comes later, which is the load to build for, until it was played what comes.
"""

from collections.abc import Sequence
from math import expm1

from lowpanbudget.deployment.link_load import LinkLoad, sums_of
from lowpanbudget.deployment.traffic import MessageStream, Traffic
from lowpanbudget.design.access import Slots
from lowpanbudget.design.tree import Tree
from lowpanbudget.design.upkeep_shape import KEEP_ALIVE
from lowpanbudget.values import dataclass, replace

_NEVER_SILENT = 50.0  # messages in the time of a silence, none of which comes in exp(-50) of them


@dataclass(frozen=True, slots=True)
class NodeLoad:
    """What a node sends: ``up`` to its parent, ``near`` to all around; and ``down``, what its parent sends to it.

    ``own`` is the part of ``up`` that begins at it, upkeep included, ``ends`` the part that ends at its parent, and
    ``begun`` the part of ``down`` that no longer way begins with. ``own_per_s`` are its own messages a second,
    ``fills_per_s`` what it sends only when nothing else is sent, ``behind`` how many nodes send through it.
    """

    node: int
    name: str
    hop: int
    parent: int
    behind: int
    own_per_s: float
    fills_per_s: float
    own: LinkLoad
    up: LinkLoad
    down: LinkLoad
    near: LinkLoad
    ends: LinkLoad
    begun: LinkLoad

    def on_air(self, below: Sequence["NodeLoad"]) -> float:
        """Return the part of time that it is on the air: its frames, and answers to what it receives."""
        frames = self.up.air + self.near.air + sum(child.down.air for child in below)
        return frames + self.down.answer_air + sum(child.up.answer_air for child in below)


def loads(traffic: Traffic, attempts: int) -> tuple[NodeLoad, ...]:
    """Return the load of every node of a tree, the root first; a frame is sent up to ``attempts`` times."""
    tree, nodes = traffic.tree, range(len(traffic.tree.parents))
    up, down, near, begins, ends, begun = ([LinkLoad() for _ in nodes] for _ in range(6))
    own, fills = [0.0] * len(nodes), [0.0] * len(nodes)
    children, hops = tree.children(), tree.hops
    for stream in sorted(traffic.streams, key=lambda one: one.message == KEEP_ALIVE):
        first, later = sums_of(stream.first, attempts), sums_of(stream.forwarded, attempts)
        rate = 1 / stream.every_s
        senders = set(stream.senders)
        through = _through(tree, senders)
        for node in nodes:
            if stream.way == "up" and node:
                up[node].add(first, rate * (node in senders))
                begins[node].add(first, rate * (node in senders))
                up[node].add(later, rate * (through[node] - (node in senders)), apart=stream.apart)
                own[node] += 0 if stream.is_upkeep else rate * (node in senders)
            elif stream.way == "down" and node:
                begins_here = hops[node] == 1
                sums = first if begins_here else later
                down[node].add(sums, rate * through[node], apart=stream.apart and not begins_here)
            elif stream.way == "parent" and node in senders and node:
                spared = _spared(stream, up[node])
                fills[node] += spared * (stream.message == KEEP_ALIVE)
                for link in (up, begins, ends):
                    link[node].add(first, spared)
            elif stream.way == "child" and node in senders and node:
                down[node].add(first, rate)
                begun[node].add(first, rate)
            elif stream.way == "near" and node in senders:
                near[node].add(first, rate)
            elif stream.way == "flood" and (not node or children[node]):
                near[node].add(later if node else first, rate)
    behind = _through(tree, set(nodes))
    return tuple(
        NodeLoad(
            node, tree.names[node], hops[node], tree.parents[node], behind[node] - 1, own[node], fills[node],
            begins[node], up[node], down[node], near[node], ends[node], begun[node],
        )
        for node in nodes
    )  # fmt: skip


def _spared(stream: MessageStream, link: LinkLoad) -> float:
    """Return how many a second are sent; of what only fills silence as many as leave none that is longer.

    Messages come at random times, r a second: silences longer than T are exp(-rT) of them, and each keep-alive begins
    one more; so r / (exp(rT) - 1) are sent, one each T where nothing else is.
    """
    if stream.message != KEEP_ALIVE:
        return 1 / stream.every_s
    others = link.messages_per_s * stream.every_s
    fills = others / expm1(others) if 0 < others < _NEVER_SILENT else float(not others)
    return fills / stream.every_s


def in_cells(nodes: Sequence[NodeLoad], slots: Slots) -> tuple[NodeLoad, ...]:
    """Return what of the loads goes on the air in slots: a try takes a cell, and what has none waits or is lost."""
    up, down = slots.cells / slots.slotframe_s, slots.cells_down / slots.slotframe_s
    return tuple(
        replace(node, up=node.up.at_most(up), own=node.own.at_most(up), down=node.down.at_most(down))
        for node in nodes
    )  # fmt: skip


def rhythm_of(stream: MessageStream, node: NodeLoad) -> float | None:
    """Return how many seconds are between two messages of a stream at a node; None where it sends none of them."""
    if stream.message != KEEP_ALIVE:
        return stream.every_s
    return 1 / node.fills_per_s if node.fills_per_s else None


def _through(tree: Tree, senders: set[int]) -> list[int]:
    """Return for each node how many of the senders stand behind it or are it."""
    counts = [int(node in senders) for node in range(len(tree.parents))]
    for node in range(len(counts) - 1, 0, -1):
        counts[tree.parents[node]] += counts[node]
    return counts
