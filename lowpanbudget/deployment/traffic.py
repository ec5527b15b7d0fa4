"""What a network carries, as streams of messages with the frames that each takes on the first hop and on later ones."""

from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

from lowpanbudget.deployment.airtime import UPKEEP, FrameTimes, MessageAirtime
from lowpanbudget.deployment.delivery import LinkTries
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.design.flow import FIRST
from lowpanbudget.design.lacking import lacking
from lowpanbudget.design.loss import FrameLoss
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.mesh_under import forwarded_below
from lowpanbudget.design.tree import Tree
from lowpanbudget.design.upkeep_shape import POLL
from lowpanbudget.values import dataclass

# up: from nodes over all hops to the root; down: from the root to nodes; near: to all around, sent once by each node;
# flood: to all nodes, each relay sends it on; parent, child: one hop
Way = Literal["up", "down", "near", "flood", "parent", "child"]
_WAYS: dict[str, Way] = {
    "up": "up", "across": "up", "down": "down", "to many": "flood", "to all": "near",
    "to parent": "parent", "to child": "child", "to root": "up", "to node": "down",
}  # fmt: skip
_NOTHING = Estimate(0.0, 0.0, 0.0)


class CarriedFrame(NamedTuple):
    """A frame as it is carried: octets, microseconds of it and of its acknowledgement (0: none), losses, energies.

    Losses are shares of single transmissions; energies are microjoules of one that succeeds, None without a radio.
    """

    octets: int
    air_us: float
    answer_us: float
    total_us: float
    loss: float
    answer_loss: float
    sender_uj: Estimate
    receiver_uj: Estimate

    def tries(self, attempts: int) -> LinkTries:
        """Return what comes of it over a link; what nobody acknowledges is sent once."""
        return LinkTries(self.loss, self.answer_loss, attempts if self.answer_us else 1)


@dataclass(frozen=True, slots=True)
class MessageStream:
    """Messages of one kind. ``every_s`` is between two of one sender; ``readings`` of ``reading_every_s`` go in each.

    ``senders`` are the nodes that send it, or that it is sent to where it goes down; ``first`` and ``forwarded`` its
    frames on the first hop and on later ones. ``apart``: each frame is forwarded by itself, not when all are there;
    where it is ``led`` the first one told the way. ``recovers``: fragments that are lost are asked for again.
    """

    flow: str
    message: str
    way: Way
    every_s: float
    readings: int
    reading_every_s: float | None
    senders: tuple[int, ...]
    first: tuple[CarriedFrame, ...]
    forwarded: tuple[CarriedFrame, ...]
    apart: bool = False
    led: bool = True
    recovers: bool = False

    @property
    def is_upkeep(self) -> bool:
        """Return whether the network sends it for itself."""
        return self.flow == UPKEEP

    @property
    def name(self) -> str:
        """Return what it is called among others."""
        return f"{self.flow} {self.message}"

    def on_hop(self, index: int) -> tuple[CarriedFrame, ...]:
        """Return its frames on a hop of its way; the first one is 0."""
        return self.first if index == 0 else self.forwarded


@dataclass(frozen=True, slots=True)
class Traffic:
    """All streams of a design, and the messages of which it does not say how often they are sent."""

    tree: Tree
    streams: tuple[MessageStream, ...]
    unknown: tuple[str, ...]
    unsent: tuple[str, ...]


def traffic_of(design: Design, messages: Sequence[MessageAirtime]) -> Traffic:
    """Return the streams of a design; ``messages`` are its airtimes. Raises ``RequestError`` without a tree."""
    if design.tree is None:
        raise lacking(design, "tree")
    grouped: dict[tuple[str, str, str], list[MessageAirtime]] = {}
    for one in messages:
        grouped.setdefault((one.flow, one.message, one.direction), []).append(one)
    streams, unknown, unsent = [], [], []
    dao_s = None if design.upkeep is None else design.upkeep.dao_s
    for hops in grouped.values():
        one = hops[0]
        # what answers a DAO comes as often as that
        every = dao_s if one.sends_every_s is None and one.flow == UPKEEP else one.sends_every_s
        if not all(hop.frames for hop in hops):
            unsent.append(f"{one.flow} {one.message}")
        elif every is None:
            unknown.append(f"{one.flow} {one.message}")
        else:
            streams.append(_stream(design, design.tree, hops, every))
    return Traffic(design.tree, tuple(streams), tuple(unknown), tuple(unsent))


def _stream(
    design: Design, tree: Tree, hops: Sequence[MessageAirtime], every_s: float
) -> MessageStream:
    one = hops[0]
    frames = {hop.hop: tuple(carried_frames(hop.frames, design.loss)) for hop in hops}
    first, way = frames[FIRST], _WAYS[one.direction]
    later = frames.get("forwarded", first)
    # only the two ends cut and put together (RFC 8931 section 6.1), of a mesh all fragments (RFC 4944 section 11)
    several, below = len(first) > 1 and way in ("up", "down"), is_below(design, one.flow)
    apart, recovers = (
        several and (design.link.recoverable or below),
        several and design.link.recoverable,
    )
    return MessageStream(
        one.flow, one.message, way, every_s, one.readings, one.every_s,
        _senders(design, tree, one), first, same_frames(first, later) if apart else later, apart, not below, recovers,
    )  # fmt: skip


def is_below(design: Design, name: str) -> bool:
    """Return whether the frames of a flow of this name, if there is one, are passed on below IPv6."""
    return name in forwarded_below(design.flows)


def same_frames(
    first: tuple[CarriedFrame, ...], later: tuple[CarriedFrame, ...]
) -> tuple[CarriedFrame, ...]:
    """Return the frames of a later hop to which those of the first one are forwarded one by one: as many as these.

    The first one has room for what headers grow by (RFC 8931 section 4.1).
    """
    return tuple(later[min(number, len(later) - 1)] for number in range(len(first)))


def carried_frames(groups: Iterable[FrameTimes], loss: FrameLoss | None) -> Iterable[CarriedFrame]:
    """Yield the frames of a message one by one, with what a link loses of each."""
    for group in groups:
        times = group.times
        answer = times.acknowledgement_octets
        frame = CarriedFrame(
            times.octets, times.on_air_us, times.acknowledgement_us, times.total_us,
            0.0 if loss is None else loss.of(times.octets),
            0.0 if loss is None or answer is None else loss.of(answer),
            times.energy_uj or _NOTHING, times.receiver_uj or _NOTHING,
        )  # fmt: skip
        yield from [frame] * group.count


def _senders(design: Design, tree: Tree, one: MessageAirtime) -> tuple[int, ...]:
    """Return the nodes that send a message, or that it is for: all of the tree within its hops, or the named one."""
    nodes = range(1, len(tree.parents))
    hops = tree.hops
    if one.flow == UPKEEP:
        if one.direction == "to all":
            return tuple(range(len(tree.parents)))
        sleeping = design.sleep is not None and one.message == POLL
        children = tree.children()
        return tuple(node for node in nodes if not sleeping or not children[node])
    flow = design.flow(one.flow)
    if _WAYS[one.direction] == "flood":
        return (0,)
    end = flow.destination if _WAYS[one.direction] == "down" else flow.source
    if not tree.all_send:
        return tuple(node for node in nodes if tree.names[node] == end.name)
    return tuple(node for node in nodes if hops[node] <= flow.hops) if end.role == "node" else ()
