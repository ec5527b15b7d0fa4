"""What every node of a tree carries: its own messages and those of the nodes behind it, with retries and upkeep.

Losses on the way do not thin out what comes later, which is the load to build for, until it was played what comes.
"""

from collections.abc import Mapping, Sequence
from math import expm1, floor
from typing import NamedTuple

from lowpanbudget.deployment.traffic import CarriedFrame, MessageStream, Traffic
from lowpanbudget.design.access import Slots
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.design.tree import Tree
from lowpanbudget.design.upkeep import KEEP_ALIVE
from lowpanbudget.values import dataclass, field, fields, replace

_NOTHING = Estimate(0.0, 0.0, 0.0)
_NEVER_SILENT = 50.0  # messages in the time of a silence, none of which comes in exp(-50) of them


class FrameSums(NamedTuple):
    """What all frames of a message take over one link, retries counted: numbers, microseconds, microjoules.

    ``lost`` of the tries lose the frame, ``silent`` ones only its acknowledgement.
    """

    frames: int
    tries: float
    lost: float
    silent: float
    air_us: float
    answer_us: float
    sender_uj: Estimate
    receiver_uj: Estimate


class HopLoad(NamedTuple):
    """What a channel that was played makes of the load of those that send at one hop.

    ``resent``: how many times the tries that losses alone cost are made, since frames meet; ``up`` and ``down``: which
    shares of what others send over them come so far and are passed on.
    """

    resent: float
    up: float
    down: float


@dataclass(slots=True)
class LinkLoad:
    """What one link carries a second, upkeep included; ``bundles`` are messages a second by frames there at once.

    ``air`` and ``answer_air`` are the shares of time that its sender, and its receiver for acknowledgements, are on the
    air; ``lost_per_s`` tries lose the frame, ``silent_per_s`` only the acknowledgement; ``sender_uw`` and
    ``receiver_uw`` are microwatts.
    """

    frames_per_s: float = 0.0
    messages_per_s: float = 0.0
    tries_per_s: float = 0.0
    lost_per_s: float = 0.0
    silent_per_s: float = 0.0
    air: float = 0.0
    answer_air: float = 0.0
    sender_uw: Estimate = _NOTHING
    receiver_uw: Estimate = _NOTHING
    bundles: dict[int, float] = field(default_factory=dict)

    def add(self, sums: FrameSums, per_s: float, *, apart: bool = False) -> None:
        """Count so many messages a second, their frames ``apart`` where each comes by itself."""
        if per_s <= 0:
            return
        self.frames_per_s += sums.frames * per_s
        self.messages_per_s += per_s
        self.tries_per_s += sums.tries * per_s
        self.lost_per_s += sums.lost * per_s
        self.silent_per_s += sums.silent * per_s
        self.air += sums.air_us * per_s / 1e6
        self.answer_air += sums.answer_us * per_s / 1e6
        self.sender_uw = _plus(self.sender_uw, sums.sender_uj, per_s)
        self.receiver_uw = _plus(self.receiver_uw, sums.receiver_uj, per_s)
        bundle, bundles_per_s = (1, sums.frames * per_s) if apart else (sums.frames, per_s)
        self.bundles[bundle] = self.bundles.get(bundle, 0.0) + bundles_per_s

    @property
    def tries_a_frame(self) -> float:
        """Return how often a frame is sent on average."""
        return self.tries_per_s / self.frames_per_s if self.frames_per_s else 1.0

    @property
    def loss(self) -> float:
        """Return the share of tries that loses the frame."""
        return self.lost_per_s / self.tries_per_s if self.tries_per_s else 0.0

    @property
    def answer_loss(self) -> float:
        """Return the share of the others that loses the acknowledgement."""
        received = self.tries_per_s - self.lost_per_s
        return self.silent_per_s / received if received > 0 else 0.0

    def times(self, factor: float) -> "LinkLoad":
        """Return the load with so many times the tries; what receivers do for them stays the same."""
        more = Estimate(*(one * factor for one in self.sender_uw))
        return replace(
            self, tries_per_s=self.tries_per_s * factor, lost_per_s=self.lost_per_s + self.tries_per_s * (factor - 1),
            air=self.air * factor, sender_uw=more,
        )  # fmt: skip

    def thinned(self, own: "LinkLoad", share: float) -> "LinkLoad":
        """Return the load with a share of what is not the sender's own."""

        def part(all_of_it: float, begun: float) -> float:
            return begun + (all_of_it - begun) * share

        parts = {
            one.name: part(getattr(self, one.name), getattr(own, one.name))
            for one in fields(self)
            if one.name not in ("sender_uw", "receiver_uw", "bundles")
        }
        sender, receiver = (
            Estimate(*map(part, all_of_it, begun))
            for all_of_it, begun in ((self.sender_uw, own.sender_uw), (self.receiver_uw, own.receiver_uw))
        )  # fmt: skip
        bundles = {
            frames: part(rate, own.bundles.get(frames, 0.0))
            for frames, rate in self.bundles.items()
        }
        return LinkLoad(**parts, sender_uw=sender, receiver_uw=receiver, bundles=bundles)

    def at_most(self, tries_per_s: float) -> "LinkLoad":
        """Return what of the load goes on the air where there are no more tries than that."""
        if self.tries_per_s <= tries_per_s:
            return self
        part = tries_per_s / self.tries_per_s
        sends, receives = ([one * part for one in uw] for uw in (self.sender_uw, self.receiver_uw))
        return replace(
            self, tries_per_s=tries_per_s, lost_per_s=self.lost_per_s * part, silent_per_s=self.silent_per_s * part,
            air=self.air * part, answer_air=self.answer_air * part, sender_uw=Estimate(*sends),
            receiver_uw=Estimate(*receives),
        )  # fmt: skip

    def cells_needed(self, slotframe_s: float) -> int:
        """Return the cells a slotframe that carry it: more than its tries a slotframe, or its queue only grows."""
        return floor(self.tries_per_s * slotframe_s + 1e-9) + 1 if self.tries_per_s else 0


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


def _plus(one: Estimate, other: Estimate, times: float) -> Estimate:
    return Estimate(*(a + b * times for a, b in zip(one, other, strict=True)))


def sums_of(frames: Sequence[CarriedFrame], attempts: int) -> FrameSums:
    """Return what all frames of a message take over one link with so many attempts for each."""
    tries = [frame.tries(attempts).mean_attempts for frame in frames]
    pairs = list(zip(frames, tries, strict=True))
    sender = receiver = _NOTHING
    for frame, count in pairs:
        sender = _plus(sender, frame.sender_uj, count)
        receiver = _plus(receiver, frame.receiver_uj, count)
    return FrameSums(
        len(frames), sum(tries),
        sum(frame.loss * count for frame, count in pairs),
        sum((1 - frame.loss) * frame.answer_loss * count for frame, count in pairs),
        sum(frame.air_us * count for frame, count in pairs),
        sum(frame.answer_us * count * (1 - frame.loss) for frame, count in pairs),
        sender, receiver,
    )  # fmt: skip


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


def resends(
    nodes: Sequence[NodeLoad], frames: Sequence[int], tries: Sequence[int]
) -> tuple[float, ...]:
    """Return by hop how many times the tries that losses alone cost were made on a channel that was played.

    ``frames`` each node began to send, and sent them ``tries`` times: others hit some. Never below 1.
    """
    depth = max(node.hop for node in nodes) + 1
    sums = [[0.0] * 4 for _ in range(depth)]
    for node in nodes:
        for hop, link in ((node.hop, node.up), (node.hop - 1, node.down)):
            if node.parent >= 0:
                sums[hop][0] += link.frames_per_s
                sums[hop][1] += link.tries_per_s
        sums[node.hop][2] += frames[node.node]
        sums[node.hop][3] += tries[node.node]
    return tuple(
        max(1.0, tried / begun * planned / planned_tries) if begun and planned_tries else 1.0
        for planned, planned_tries, begun, tried in sums
    )


def passed_on(
    nodes: Sequence[NodeLoad], came: Mapping[tuple[int, int], int], sent: Mapping[tuple[int, int], int]
) -> tuple[tuple[float, float], ...]:  # fmt: skip
    """Return by hop which shares of the frames that others sent are passed on, up and down: 1 where none was played.

    ``sent``: what would pass from one node to another if all came so far; ``came``: what did.
    """
    depth = max(node.hop for node in nodes) + 1
    sums = [[0.0] * 4 for _ in range(depth)]
    for (sender, receiver), count in sent.items():
        down = 0 if nodes[sender].parent == receiver else 2
        sums[nodes[sender].hop][down] += count
        sums[nodes[sender].hop][down + 1] += came.get((sender, receiver), 0)
    return tuple(
        (min(up / all_up, 1.0) if all_up else 1.0, min(down / all_down, 1.0) if all_down else 1.0)
        for all_up, up, all_down, down in sums
    )


def as_played(nodes: Sequence[NodeLoad], hops: Sequence[HopLoad]) -> tuple[NodeLoad, ...]:
    """Return the loads as it was played, by the hop of who sends."""

    def played(node: NodeLoad) -> NodeLoad:
        here, above = hops[node.hop], hops[max(node.hop - 1, 0)]
        down = node.down.thinned(LinkLoad(), above.down) if node.hop > 1 else node.down
        return replace(
            node, up=node.up.thinned(node.own, here.up).times(here.resent), own=node.own.times(here.resent),
            down=down.times(above.resent),
        )  # fmt: skip

    return tuple(map(played, nodes))


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
