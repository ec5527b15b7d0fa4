"""Knobs of a flow's addresses: contexts that would serve them, identifiers that are shorter in line."""

from collections.abc import Iterator
from dataclasses import replace
from ipaddress import IPv6Address

from lowpanbudget.cites import rfc
from lowpanbudget.design.flow import Flow, FlowKnob, Station
from lowpanbudget.design.link import Link
from lowpanbudget.env import Contexts
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL


def address_knobs(link: Link, contexts: Contexts, flow: Flow) -> Iterator[FlowKnob]:
    """Yield every change of contexts and of identifiers that may free octets."""
    yield from _context_knobs(link, contexts, flow)
    yield from _identifier_knobs(link, contexts, flow)


def _identifier_knobs(link: Link, contexts: Contexts, flow: Flow) -> Iterator[FlowKnob]:
    """Yield other identifiers for ends in the mesh: made of the link address in use, or of short addresses."""
    short = replace(flow, source=_shortened(flow.source, link))
    if flow.group is None:
        short = replace(short, destination=_shortened(flow.destination, link))
    if short != flow:
        yield FlowKnob(
            "station.identifier",
            "identifiers made from short addresses, of 2 octets where they go in line",
            short,
            contexts,
            rfc(6282, "3.2.2"),
            "each node needs a short address; a hop that elided the identifier then carries it",
        )
    for end, station in (("source", flow.source), ("destination", flow.destination)):
        if station.role == "outside" or (end == "destination" and flow.group is not None):
            continue
        if station.address is None and station.identifier in {"link", link.addresses}:
            continue
        prefix = station.prefix
        if station.address is not None:
            prefix = int(station.address) >> 64 << 64
        changed = replace(station, address=None, prefix=prefix, identifier="link")
        given = station.address is not None
        if given and changed.ip(link.addresses) == station.address:
            continue
        yield FlowKnob(
            "station.identifier",
            f"the {end}'s identifier made from the link address in frames",
            replace(flow, source=changed)
            if end == "source"
            else replace(flow, destination=changed),
            contexts,
            rfc(6282, "3.2.2"),
            "" if given else "the address changes with the link address",
            "an identifier that was chosen to be hard to guess or to follow becomes easy to (RFC 8065)"
            if given
            else "",
        )


def _shortened(station: Station, link: Link) -> Station:
    """Return the station with an identifier from its short address, if it has one from its extended address."""
    if station.role == "outside" or station.address is not None or link.addresses == "short":
        return station
    if station.identifier == "short":
        return station
    return replace(station, identifier="short")


def _context_knobs(link: Link, contexts: Contexts, flow: Flow) -> Iterator[FlowKnob]:
    """Yield contexts that would serve the flow's addresses: the /64 prefix, and the whole address."""
    free = next((number for number in range(16) if number not in contexts), None)
    ends = [("source", flow.source)]
    if flow.group is None:
        ends.append(("destination", flow.destination))
    addresses = {end: station.ip(link.addresses) for end, station in ends}
    for number, context in contexts.items():
        if not context.may_compress and any(a in context.prefix for a in addresses.values()):
            allowed = _with_context(contexts, number, str(context.prefix))
            yield FlowKnob(
                f"context {number}", f"context {number} allowed for compression", flow, allowed,
                rfc(6775, "4.2"), "every receiver must have learned it first",
            )  # fmt: skip
        elif number and any(a in context.prefix for a in addresses.values()):
            others = {n: other for n, other in contexts.items() if n not in {0, number}}
            swapped = {number: contexts[0]} if 0 in contexts else {}
            yield FlowKnob(
                f"context {number}", f"context {number} numbered 0, which costs no octet", flow,
                Contexts({0: context, **swapped, **others}), rfc(6282, "3.1.1"),
                "flows that use context 0 today pay that octet instead" if swapped else "",
            )  # fmt: skip
    if free is None:
        return
    for end, station in ends:
        address = addresses[end]
        if address in LINK_LOCAL.prefix:
            continue
        for length, what in ((64, "prefix"), (128, "whole address")):
            if length == 128 and station.role == "node":
                continue  # there are many nodes and 16 contexts
            prefix = f"{IPv6Address(int(address) >> (128 - length) << (128 - length))}/{length}"
            if any(str(context.prefix) == prefix for context in contexts.values()):
                continue
            yield FlowKnob(
                "context",
                f"a context for the {end}'s {what} ({prefix})",
                flow,
                _with_context(contexts, free, prefix),
                rfc(6282, "3.1.1"),
                "all nodes must share it (RFC 6775 section 5.4.1 spreads it)",
            )


def _with_context(contexts: Contexts, number: int, prefix: str) -> Contexts:
    """Return the contexts with one more, or one changed."""
    return Contexts({**contexts, number: prefix})
