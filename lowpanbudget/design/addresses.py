"""Knobs of a flow's addresses: identifiers that are shorter in line, contexts that would serve them.

Identifiers are a station's and contexts the network's: turning one changes every flow of the design.
"""

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from ipaddress import IPv6Address, IPv6Network
from typing import Literal

from lowpanbudget.cites import rfc
from lowpanbudget.design.flow import Flow, Station
from lowpanbudget.design.knob import Knob, Share, Stage
from lowpanbudget.design.link import AddressForm
from lowpanbudget.design.meaning import Design
from lowpanbudget.env import Context, Contexts
from lowpanbudget.errors import RequestError
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL

_OF_ADDRESSES: tuple[AddressForm, ...] = ("short", "extended")
Identifier = AddressForm | Literal["link"]
MOST_CONTEXTS = 16  # "identifiers ... 0 to 15" (RFC 6282 section 3.1.2)


def address_knobs(design: Design, flow: Flow) -> Iterator[Knob[Design]]:
    """Yield every change of identifiers and of contexts that may free octets of the flow."""
    ends = _ends(flow)
    for end, station in ends:
        yield from _identifier_knobs(design, end, station, routed=_follows_route(flow, end))
    yield from _number_knobs(design, ends)
    yield from _context_knobs(design, ends)


def address_positions(design: Design, flow: Flow) -> Iterator[Knob[Design]]:
    """Yield the other positions: identifiers of the other link address, and a network without a context it has."""
    for end, station in _ends(flow):
        if station.role != "outside" and station.address is None:
            offered = {knob.value for knob in _identifier_knobs(design, end, station)}
            for value in _OF_ADDRESSES:
                if value not in {station.identifier, *offered}:
                    text = f"the {end}'s identifier made from its {value} address"
                    yield _identifier(station, value, text, "each node has such an address")
    addresses = [station.ip(design.link.addresses) for _, station in _ends(flow)]
    for number, context in design.contexts.items():
        if any(map(context.covers, addresses)):
            yield Knob(
                f"context[{number}].id",
                "none",
                f"context {number}",
                f"no context {number} ({context.prefix})",
                rfc(6282, "3.1.2"),
                partial(_without_context, number=number),
                stage=Stage.CONTEXTS,
                now=str(number),
                shares=(Share.NETWORK,),
            )


def _ends(flow: Flow) -> list[tuple[str, Station]]:
    """Return the ends of a flow that have an address of their own, and what they are in it."""
    ends = [("source", flow.source)]
    if flow.group is None:
        ends.append(("destination", flow.destination))
    return ends


# --- identifiers ---------------------------------------------------------------------------------------


def _follows_route(flow: Flow, end: str) -> bool:
    """Return whether a source route leads to this end: its routers then have identifiers such as its own."""
    return end == "destination" and flow.routing.route > 0


def _identifier_knobs(
    design: Design, end: str, station: Station, *, routed: bool = False
) -> Iterator[Knob[Design]]:
    """Yield other identifiers for a station in the mesh: made of the link address in use, or of its short address."""
    if station.role == "outside":
        return
    form = design.link.addresses
    has_address = station.address is not None
    if not has_address and form == "extended" and station.identifier != "short":
        yield _identifier(
            station, "short",
            f"the {end}'s identifier made from its short address, of 2 octets where it goes in line",
            "it needs a short address; a hop that elided the identifier then carries it"
            + ("; routers of its source route have such identifiers too, and shorter entries" if routed else ""),
        )  # fmt: skip
    follows = not has_address and station.identifier in {"link", form}
    if follows or (has_address and _from_link_address(station).ip(form) == station.address):
        return
    yield _identifier(
        station, "link", f"the {end}'s identifier made from the link address in frames",
        "" if has_address else "the address changes with the link address",
        "an identifier that was chosen to be hard to guess or to follow becomes easy to (RFC 8065)"
        if has_address
        else "",
    )  # fmt: skip


def _identifier(
    station: Station, value: Identifier, text: str, condition: str, caution: str = ""
) -> Knob[Design]:
    """Return the change to an identifier that is made of this link address."""
    return Knob(
        f"station[{station.name}].identifier",
        value,
        "station.identifier",
        text,
        rfc(6282, "3.2.2"),
        partial(_identified, name=station.name, identifier=value),
        condition,
        caution,
        stage=Stage.IDENTIFIERS,
        now="address" if station.address is not None else station.identifier,
        shares=(Share.NETWORK,),
    )


def _from_link_address(station: Station) -> Station:
    prefix = station.prefix
    if station.address is not None:
        prefix = int(station.address) >> 64 << 64
    return replace(station, address=None, prefix=prefix, identifier="link")


def _identified(design: Design, name: str, identifier: Identifier) -> Design:
    station = _from_link_address(design.station(name))
    return design.with_station(replace(station, identifier=identifier))


# --- contexts ------------------------------------------------------------------------------------------


def _number_knobs(design: Design, ends: list[tuple[str, Station]]) -> Iterator[Knob[Design]]:
    """Yield contexts there are that would serve better: allowed for compression, or numbered 0."""
    addresses = [station.ip(design.link.addresses) for _, station in ends]
    for number, context in design.contexts.items():
        if not any(map(context.covers, addresses)):
            continue
        if not context.may_compress:
            yield Knob(
                f"context[{number}].may_compress",
                "true",
                f"context {number}",
                f"context {number} allowed for compression",
                rfc(6775, "4.2"),
                partial(_allowed, number=number),
                "every receiver must have learned it first",
                now="false",
                stage=Stage.CONTEXTS,
                shares=(Share.NETWORK,),
            )
        elif number:
            yield Knob(
                f"context[{number}].id",
                "0",
                f"context {number}",
                f"context {number} numbered 0, which costs no octet",
                rfc(6282, "3.1.1"),
                partial(_numbered_0, number=number),
                "flows that use context 0 today pay that octet instead"
                if 0 in design.contexts
                else "",
                now=str(number),
                stage=Stage.CONTEXTS,
                shares=(Share.NETWORK,),
            )


def _allowed(design: Design, number: int) -> Design:
    return design.with_contexts({**design.contexts, number: str(_context(design, number).prefix)})


def _context(design: Design, number: int) -> Context:
    """Return a context; ``RequestError`` where only a later change of the same set would make it."""
    context: Context | None = design.contexts.get(number)
    if context is None:
        raise RequestError(f"there is no context {number}")
    return context


def _without_context(design: Design, number: int) -> Design:
    gone = _context(design, number)
    return design.with_contexts({n: c for n, c in design.contexts.items() if c is not gone})


def _numbered_0(design: Design, number: int) -> Design:
    context, contexts = _context(design, number), design.contexts
    others = {n: other for n, other in contexts.items() if n not in {0, number}}
    swapped = {number: contexts[0]} if 0 in contexts else {}
    return design.with_contexts({0: context, **swapped, **others})


def _context_knobs(design: Design, ends: list[tuple[str, Station]]) -> Iterator[Knob[Design]]:
    """Yield contexts that would serve addresses: of a /64, once where both ends share it, and of a whole address.

    Of ends that share one the node has it: the other may then have a context for its whole address besides.
    """
    if _free_number(design.contexts) is None:
        return
    shared = len({_prefix_of(design, station, 64) for _, station in ends}) < len(ends)
    if shared:
        _, first = min(ends, key=lambda end: end[1].role != "node")
    for end, station in ends:
        if not shared:
            yield from _context_knob(design, station, 64, f"the {end}'s prefix")
        elif station is first:
            yield from _context_knob(design, station, 64, "the prefix of both ends")
        if station.role != "node":  # there are many nodes and 16 contexts
            yield from _context_knob(design, station, 128, f"the {end}'s whole address")


def _context_knob(
    design: Design, station: Station, length: int, what: str
) -> Iterator[Knob[Design]]:
    """Yield the context of so many bits that would serve a station's address, if any would."""
    prefix = _prefix_of(design, station, length)
    if prefix is not None and not _has_context(design, prefix):
        yield Knob(
            f"station[{station.name}].context",
            str(length),
            "context",
            f"a context for {what} ({prefix})",
            rfc(6282, "3.1.1"),
            partial(_with_context, name=station.name, length=length),
            "all nodes must share it (RFC 6775 section 5.4.1 spreads it)",
            now="none",
            stage=Stage.CONTEXTS,
            shares=(Share.NETWORK,),
        )


def _prefix_of(design: Design, station: Station, length: int) -> IPv6Network | None:
    """Return the prefix of the station's address as the design now makes it; None for one that needs no context."""
    address: IPv6Address = station.ip(design.link.addresses)
    if LINK_LOCAL.covers(address):
        return None
    return IPv6Network((address, length), strict=False)


def _has_context(design: Design, prefix: IPv6Network) -> bool:
    return any(context.prefix == prefix for context in design.contexts.values())


def _free_number(contexts: Contexts) -> int | None:
    return next((number for number in range(MOST_CONTEXTS) if number not in contexts), None)


def _with_context(design: Design, name: str, length: int) -> Design:
    """Return the design with a context for the address that holds by now, under the first free number."""
    number, prefix = (
        _free_number(design.contexts),
        _prefix_of(design, design.station(name), length),
    )
    if number is None or prefix is None or _has_context(design, prefix):
        raise RequestError(
            f"there is no use or no number for a context of {length} bits for {name}",
            hint="A network has 16 contexts at most (RFC 6282 section 3.1.2)",
        )
    return design.with_contexts({**design.contexts, number: str(prefix)})
