"""What is taken for granted of a network, where its design says nothing or something that is not played."""

from collections.abc import Iterator

from lowpanbudget.deployment.contention_ways import fragment_pause
from lowpanbudget.deployment.fragments import fragment_words
from lowpanbudget.deployment.open_limits import unfollowed_beside
from lowpanbudget.deployment.service import served
from lowpanbudget.deployment.traffic import Traffic
from lowpanbudget.design.answer import (
    confirmable,
    is_non_storing,
    sent_again_s,
    taken_empty,
    unanswered,
)
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.mesh_under import taken_of_mesh
from lowpanbudget.design.waiting import listening_words


def taken_words(design: Design, traffic: Traffic) -> Iterator[str]:
    """Yield what is taken for granted, with the table that would say otherwise."""
    if design.loss is None:
        yield "no link loses a frame ([loss])"
    if design.queue is None:
        yield "queues have no end ([queue])"
    if design.battery is not None and design.radio is None:
        yield "batteries are not reckoned with, as nothing says what a node draws ([radio])"
    if design.radio is not None and design.battery is None:
        yield "it is not reckoned how long nodes last, as nothing says what there is to draw from ([battery])"
    yield from unfollowed_beside(design, traffic)
    is_contended = design.access is not None and design.access.slots is None
    yield from fragment_words(traffic.streams, fragment_pause(traffic.tree) if is_contended else 0)
    yield from taken_of_mesh(design.flows)
    if short := ", ".join(_shorter(design, traffic)):
        yield f"what is planned for more hops than its nodes are away is checked over those that they are: {short}"
    if empty := ", ".join(flow.name for flow in taken_empty(design.flows)):
        yield f"requests and answers without messages are empty ({empty})"
    if silent := ", ".join(flow.name for flow in unanswered(design.flows)):
        yield f"nothing acknowledges the confirmable messages of {silent} ([flow.answer])"
    if sent_again := ", ".join(flow.name for flow in confirmable(design.flows)):
        yield (
            f"confirmable messages ({sent_again}) are sent once, not up to {len(sent_again_s())} times again until "
            "they are acknowledged (RFC 7252 sections 4.2 and 4.8): where many are lost more arrive than told here, "
            "later, and more is sent; where that may decide the answer is open"
        )
    if any(flow.answers for flow in design.flows):
        yield (
            "answers are sent at times of their own, not right behind their requests, and so meet less than on the air "
            "(a delivery or latency that just holds may not)"
        )
    yield from _listening(design)
    if design.upkeep is not None and design.upkeep.dao_s is not None:
        yield (
            "DAOs go to the root, since a flow down carries a route (non-storing mode)"
            if is_non_storing(design.flows)
            else "DAOs go to the parent, since no flow down carries a route (storing mode)"
        )


def _listening(design: Design) -> Iterator[str]:
    """Yield behind which polls children listen, where that is energy that is told."""
    is_slotted = design.access is not None and design.access.slots is not None
    if design.sleep is not None and design.radio is not None and not is_slotted:
        yield from listening_words(design.sleep, acknowledged=design.link.acknowledged)


def _shorter(design: Design, traffic: Traffic) -> Iterator[str]:
    """Yield flows to the root or from it that the tree has fewer hops for than they are planned with."""
    hops, told = traffic.tree.hops, dict[str, int]()
    for stream in filter(served, traffic.streams):
        told[stream.flow] = max(map(hops.__getitem__, stream.senders), default=0)
    for flow in design.flows:
        deepest = told.get(flow.name, flow.hops)
        if flow.direction in ("up", "down") and deepest < flow.hops:
            yield f"{flow.name} ({flow.hops}, checked over {deepest})"
