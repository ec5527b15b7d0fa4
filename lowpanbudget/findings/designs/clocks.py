"""What sets the clock of each node of a design in slots, and how often: whatever is exchanged with its parent.

"When there is traffic in the network, nodes that are communicating implicitly resynchronize using the data frames they
exchange" (RFC 7554 appendix B.3): a node sets its clock by the acknowledgement of what it sends to its parent, and by
every frame that comes from there (section A.8).
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from lowpanbudget.deployment.airtime import MessageAirtime
from lowpanbudget.deployment.carried import LimitCheck
from lowpanbudget.deployment.checks import check_of
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.tree import Tree


class ClockRhythm(NamedTuple):
    """What sets clocks each ``every_s`` seconds: of these ``nodes`` of the tree, None: of all."""

    every_s: float
    what: str
    nodes: frozenset[int] | None


class ClockSilence(NamedTuple):
    """The most often that the clock of a node is set, where it is least often; ``node`` is "" where all are alike."""

    every_s: float
    what: str
    node: str


def longest_silence(design: Design, messages: Sequence[MessageAirtime]) -> ClockSilence | None:
    """Return the node whose clock is set least often; None where the design does not say what sets one.

    ``messages`` are those of ``airtime(design)``, or a part of them: they tell how many readings one message collects.
    What comes without an interval sets clocks as well, and nobody can rely on it.
    """
    rhythms = [*_of_upkeep(design), *_of_flows(design, messages)]
    if design.tree is None or all(one.nodes is None for one in rhythms):
        every = _shortest(rhythms)
        return None if every is None else ClockSilence(every.every_s, every.what, "")
    silences = [
        ClockSilence(own.every_s, own.what, design.tree.names[node])
        for node in range(1, len(design.tree.parents))
        if (own := _shortest(one for one in rhythms if one.nodes is None or node in one.nodes))
    ]
    return max(silences, key=lambda one: one.every_s, default=None)


def clock_check(design: Design, messages: Sequence[MessageAirtime]) -> LimitCheck | None:
    """Return the check of the clock that is set least often; None without slots, drift, or what sets clocks."""
    slots = None if design.access is None else design.access.slots
    lasts_s = None if slots is None else slots.synchronised_s
    silence = None if lasts_s is None else longest_silence(design, messages)
    if lasts_s is None or silence is None:
        return None
    whose = f"node {silence.node}" if silence.node else "clocks"
    text = f"set each {silence.every_s:.3g} s ({silence.what}), the guard lasts {lasts_s:.3g} s"
    return check_of("clock", whose, text, silence.every_s, lasts_s, "s")


def _shortest(rhythms: Iterable[ClockRhythm]) -> ClockRhythm | None:
    return min(rhythms, key=lambda one: one.every_s, default=None)


def _of_upkeep(design: Design) -> Iterator[ClockRhythm]:
    upkeep, sleep = design.upkeep, design.sleep
    answered = design.link.acknowledged
    intervals = (
        ()
        if upkeep is None
        else (
            ("beacons", upkeep.beacon_s),
            ("DIOs", upkeep.dio_s),
            ("DAOs", upkeep.dao_s if answered else None),
            ("keep-alives", upkeep.keep_alive_s if answered else None),
        )
    )
    polls = None if sleep is None or not answered else sleep.poll_s
    for what, every_s in (*intervals, ("polls", polls)):
        if every_s is not None:
            yield ClockRhythm(every_s, what, None)


def _of_flows(design: Design, messages: Sequence[MessageAirtime]) -> Iterator[ClockRhythm]:
    """Yield the messages whose interval is stated: on the way down they come from the parent, else it answers them."""
    sends = {(one.flow, one.message): one.sends_every_s for one in messages}
    sent = {flow: [message for of, message in sends if of == flow] for flow, _ in sends}
    for flow in design.flows:
        if flow.every_s is None:
            continue
        from_parent = flow.direction in {"down", "to many"}
        if not from_parent and not design.link.acknowledged:
            continue
        nodes = None if design.tree is None else _on_the_way(flow, design.tree)
        for message in flow.messages or sent.get(flow.name, ()):
            every_s = sends.get((flow.name, message)) or flow.every_s
            yield ClockRhythm(every_s, f"{message} on flow {flow.name}", nodes)


def _on_the_way(flow: Flow, tree: Tree) -> frozenset[int] | None:
    """Return the nodes through which a flow leads; None: all."""
    if flow.direction == "to many":
        return None
    end = flow.destination if flow.direction == "down" else flow.source
    if tree.all_send:
        deep = flow.hops if end.role == "node" else 0
        return None if deep >= tree.depth else frozenset(
            node for node, hops in enumerate(tree.hops) if hops <= deep
        )  # fmt: skip
    return frozenset(tree.way(tree.names.index(end.name)) if end.name in tree.names else ())
