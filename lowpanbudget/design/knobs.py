"""Every knob of a flow as a change of the whole design, and changes made together in one fixed order.

The knobs themselves are declared beside the keys they turn (``link``, ``flow``, ``addresses``). Link keys, identifiers
and contexts belong to the network: turning one changes all its flows together.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

from lowpanbudget.design.addresses import address_knobs
from lowpanbudget.design.flow import Flow, flow_knobs
from lowpanbudget.design.knob import Knob
from lowpanbudget.design.link import Link, link_knobs, pan_ids_possible
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import RequestError


def knobs(design: Design, flow: Flow) -> Iterator[Knob[Design]]:
    """Yield every change of one key that may free octets of the flow, or protect it more."""
    for link_knob in link_knobs(design.link):
        yield link_knob.within(lambda outer: outer.link, _with_link)
    yield from address_knobs(design, flow)
    name = flow.name
    for flow_knob in flow_knobs(flow):
        yield flow_knob.within(lambda outer: outer.flow(name), Design.with_flow, f"flow[{name}].")


def _with_link(design: Design, link: Link) -> Design:
    return replace(design, link=link)


def in_order(changes: Iterable[Knob[Design]]) -> list[Knob[Design]]:
    """Return the changes as they are made together: link, identifiers, contexts, then the rest."""
    return sorted(changes, key=lambda change: (change.stage, change.id))


def turned(design: Design, changes: Iterable[Knob[Design]]) -> Design:
    """Return the design with these changes, made in the fixed order.

    A context is made for the address that holds by then. Raises ``RequestError`` when two changes turn one dimension,
    or when they cannot be together.
    """
    dimensions: set[str] = set()
    for change in in_order(changes):
        if change.dimension in dimensions:
            raise RequestError(f"{change.dimension} cannot have two values")
        dimensions.add(change.dimension)
        design = change.turn(design)
    link = design.link
    if link.pan_ids not in pan_ids_possible(link.version, link.addresses):
        raise RequestError(
            f"frames between {link.addresses} addresses cannot carry {link.pan_ids} of the PAN IDs"
        )
    return design
