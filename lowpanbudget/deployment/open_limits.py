"""Limits that a design states and that nobody can hold it against, with what is missing: an answer open, not a yes."""

from collections.abc import Iterator

from lowpanbudget.deployment.service import served
from lowpanbudget.deployment.traffic import MessageStream, Traffic
from lowpanbudget.design.access import Slots
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.tree import Tree

_SAYS = {"radio": "what a node draws", "battery": "what there is to draw from"}


def open_limits(design: Design, traffic: Traffic) -> Iterator[str]:
    """Yield which limits were not looked at, and why."""
    limits = design.limits
    if limits is None:
        return
    missing = [name for name in _SAYS if getattr(design, name) is None]
    if limits.battery_days is not None and missing:
        says = " and ".join(f"no [{name}], which says {_SAYS[name]}" for name in missing)
        yield f"limits.battery_days was not checked, as the design has {says}"
    if not any(served(stream) and stream.senders for stream in _sent(traffic)):
        yield from unfollowed(design, traffic)


def unlaid(tree: Tree, slots: Slots | None) -> Iterator[str]:
    """Yield what cannot be told where the cells of a node have no place in a slotframe: there are no such cells."""
    links = tree.links()
    if slots is not None and slots.taken(max(links)) > slots.slotframe:
        name = tree.names[links.index(max(links))]
        yield (
            "nothing can be said of how messages arrive, of queues and of batteries, as a slotframe has no place for "
            f"the cells of node {name}"
        )


def unfollowed(design: Design, traffic: Traffic) -> Iterator[str]:
    """Yield the messages of which nobody can tell how they arrive, where a limit says how they are to, and why."""
    limits = design.limits
    stated = {} if limits is None else {"delivery": limits.delivery, "latency_s": limits.latency_s}
    arrival = " and ".join(f"limits.{name}" for name, limit in stated.items() if limit is not None)
    was = "were" if " and " in arrival else "was"
    for stream in _sent(traffic) if arrival else ():
        why = ""
        if not served(stream):
            why = "it is not worked out how what is for many nodes arrives"
        elif not stream.senders:
            why = "no node of the tree is at its end"
        if why:
            yield f"{arrival} {was} not checked of {stream.name}, as {why}"


def unfollowed_beside(design: Design, traffic: Traffic) -> Iterator[str]:
    """Yield those of them that stand beside others that are followed: the answer is about the others."""
    is_open = set(open_limits(design, traffic))
    yield from (text for text in unfollowed(design, traffic) if text not in is_open)


def _sent(traffic: Traffic) -> list[MessageStream]:
    return [stream for stream in traffic.streams if not stream.is_upkeep]
