"""Limits that a design states and that nobody can hold it against, with what is missing: an answer open, not a yes."""

from collections.abc import Iterator

from lowpanbudget.deployment.service import served
from lowpanbudget.deployment.traffic import Traffic
from lowpanbudget.design.meaning import Design

_SAYS = {"radio": "what a node draws", "battery": "what there is to draw from"}


def open_limits(design: Design, traffic: Traffic) -> Iterator[str]:
    """Yield which limits were not looked at, or not for all, and why."""
    limits = design.limits
    if limits is None:
        return
    missing = [name for name in _SAYS if getattr(design, name) is None]
    if limits.battery_days is not None and missing:
        says = " and ".join(f"no [{name}], which says {_SAYS[name]}" for name in missing)
        yield f"limits.battery_days was not checked, as the design has {says}"
    stated = {"delivery": limits.delivery, "latency_s": limits.latency_s}
    arrival = " and ".join(f"limits.{name}" for name, limit in stated.items() if limit is not None)
    was = "were" if " and " in arrival else "was"
    for stream in traffic.streams if arrival else ():
        if stream.is_upkeep:
            continue
        if not served(stream):
            yield (
                f"{arrival} {was} not checked of {stream.name}, as it is not worked out how what is for many nodes "
                "arrives"
            )
        elif not stream.senders:
            yield f"{arrival} {was} not checked of {stream.name}, as no node of the tree is at its end"
