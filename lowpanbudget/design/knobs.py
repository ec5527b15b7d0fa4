"""Every knob of a flow as a change of the whole design, and changes made together in one fixed order.

The knobs themselves are declared beside the keys they turn (``link_knobs``, ``flow_knobs``, ``addresses``). Link keys,
identifiers and contexts belong to the network: turning one changes all its flows together. ``knobs`` are the changes
that may free octets or protect more; ``positions`` are all that a design and a flow can have.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

from lowpanbudget.design.addresses import address_knobs, address_positions
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.flow_knobs import flow_knobs, flow_positions, flow_protections, hops_knob
from lowpanbudget.design.knob import Knob
from lowpanbudget.design.link import Link, pan_ids_possible
from lowpanbudget.design.link_knobs import link_knobs, link_positions
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.mesh_knobs import mesh_knobs, mesh_positions
from lowpanbudget.errors import RequestError


def knobs(design: Design, flow: Flow) -> Iterator[Knob[Design]]:
    """Yield every change of one key that may free octets of the flow, or protect it more."""
    yield from map(_of_link, link_knobs(design.link))
    yield from address_knobs(design, flow)
    yield from (_of_flow(knob, flow.name) for knob in flow_knobs(flow, design.link.addresses))
    yield from mesh_knobs(flow)


def protections(flow: Flow) -> Iterator[Knob[Design]]:
    """Yield what protects the flow's messages from end to end, where nothing does; no other flow has less by it."""
    yield from (_of_flow(knob, flow.name) for knob in flow_protections(flow))


def positions(design: Design, flow: Flow) -> Iterator[Knob[Design]]:
    """Yield every change of one key: also those that cost octets, that protect less, that are another PHY."""
    yield from knobs(design, flow)
    yield from map(_of_link, link_positions(design.link))
    yield from address_positions(design, flow)
    yield from (_of_flow(knob, flow.name) for knob in flow_positions(flow, design.link.addresses))
    yield from mesh_positions(flow)


def hops_position(flow: Flow, hops: int) -> Knob[Design]:
    """Return the change of a flow to so many hops."""
    return _of_flow(hops_knob(flow, hops), flow.name)


def _of_link(knob: Knob[Link]) -> Knob[Design]:
    return knob.within(lambda outer: outer.link, _with_link)


def _of_flow(knob: Knob[Flow], name: str) -> Knob[Design]:
    return knob.within(lambda outer: outer.flow(name), Design.with_flow, f"flow[{name}].")


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
    before, dimensions = design, set[str]()
    for change in in_order(changes):
        if change.dimension in dimensions:
            raise RequestError(f"{change.dimension} cannot have two values")
        dimensions.add(change.dimension)
        design = change.turn(design)
    for was, flow in zip(before.flows, design.flows, strict=True):
        if was is not flow:
            flow.must_reach()
    link = design.link
    if link.pan_ids not in pan_ids_possible(link.version, link.addresses):
        raise RequestError(
            f"frames between {link.addresses} addresses cannot carry {link.pan_ids} of the PAN IDs"
        )
    return design
