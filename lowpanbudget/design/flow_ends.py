"""Where flows lead: faults of groups, of ends that cannot reach each other, and of hop limits that end before them."""

from collections.abc import Iterator

from lowpanbudget.design.shape import FlowShape, StationShape
from lowpanbudget.errors import plural
from lowpanbudget.payload.flaws import Flaw


def group_flaws(index: int, flow: FlowShape, stations: dict[str, StationShape]) -> Iterator[Flaw]:
    """Yield a flaw where a multicast address is none, or its scope ends before the flow does."""
    assert flow.group is not None
    path = ("flow", index, "group")
    source = stations.get(flow.source)
    scope = flow.group.packed[1] & 15
    if not flow.group.is_multicast:
        yield Flaw(
            path, f"{flow.group} is no multicast address", "Multicast addresses start with ff"
        )
    elif scope < 2:
        yield Flaw(path, f"{flow.group} never leaves its node", _SCOPES)
    elif scope == 2 and flow.hops > 1 and not _is_below(flow):
        yield Flaw(
            path, f"{flow.group} is not forwarded, and the flow has {flow.hops} hops", _SCOPES
        )
    elif scope < 4 and source is not None and source.role == "outside":
        yield Flaw(path, f"{flow.group} does not reach the mesh from outside", _SCOPES)
    for flaw in _unicast_only(flow):
        yield flaw.under("flow", index)


def _unicast_only(flow: FlowShape) -> Iterator[Flaw]:
    """Yield a flaw for each protocol of a flow to a group that is there for two ends alone."""
    if flow.coap is not None and flow.coap.confirmable:
        yield Flaw(
            ("coap", "confirmable"), "no group acknowledges a message",
            "Multicast requests MUST be Non-confirmable (RFC 7252 section 8.1): use confirmable = false",
        )  # fmt: skip
    if flow.dtls is not None:
        yield Flaw(
            ("dtls",), "a DTLS association has two ends, and a group more",
            f"CoAP to a group goes in UDP, not in DTLS (RFC 7252 section 8.1). {_IN_TURN}",
        )  # fmt: skip
    if flow.oscore is not None:
        yield Flaw(
            ("oscore",), "an OSCORE security context has two ends, and a group more",
            f"It has a sender and a recipient (RFC 8613 section 3.1); Group OSCORE is not built. {_IN_TURN}",
        )  # fmt: skip


_IN_TURN = "A flow to each station can be protected; [link.security] covers a group hop by hop"
_SCOPES = (
    "Its fourth digit is its scope: 1 a node, 2 one hop, 3 the mesh, 4 and more what is set up "
    "(RFC 4291 section 2.7, RFC 7346)"
)


def end_flaws(
    index: int, flow: FlowShape, stations: dict[str, StationShape], form: str
) -> Iterator[Flaw]:
    """Yield every flaw of the two ends of a flow: who cannot reach whom, over how many hops."""
    source, destination = stations.get(flow.source), stations.get(flow.destination or "")
    ends = [station for station in (source, destination) if station is not None]
    outside = any(station.role == "outside" for station in ends)
    # a tunnel is one hop to the header inside (RFC 2473 section 6.3), and so is a mesh below IPv6 (RFC 6775 section 2)
    links = 1 if _is_below(flow) else flow.hops
    hops = 1 if flow.routing is not None and flow.routing.tunnel else links
    if flow.hop_limit < hops + outside:
        beyond = " and the border router" if outside else ""
        yield Flaw(
            ("flow", index, "hop_limit"),
            f"a hop limit of {flow.hop_limit} ends before {plural(hops, 'hop')}{beyond}", "Raise it",
        )  # fmt: skip
    for key, station in (("source", source), ("destination", destination)):
        if station is not None and (outside or links > 1) and _is_link_local(station):
            yield Flaw(
                ("flow", index, key),
                f"{station.name!r} has only a link-local address, which no router passes on",
                "Give it an address or a prefix (RFC 4291 section 2.5.6)",
            )
    border = next((station for station in stations.values() if station.role == "border"), None)
    if border is not None and hops < links and _is_link_local(border):
        yield Flaw(
            ("flow", index, "routing", "tunnel"),
            f"{border.name!r}, an end of the tunnel, has only a link-local address, which no router passes on",
            "Give it an address or a prefix (RFC 4291 section 2.5.6)",
        )
    if source is None or destination is None:
        return
    path = ("flow", index, "destination")
    if source is destination:
        yield Flaw(
            path,
            "a flow leads from a station to another one",
            "Name another station as the destination",
        )
    elif source.role == destination.role == "outside":
        yield Flaw(
            path,
            "both ends are outside the mesh",
            "One end is a station in the mesh: a node, the collector or the border router",
        )
    else:
        entries = [border if station.role == "outside" else station for station in ends]
        first, second = entries  # that two stations have one address is told of the second
        met = getattr(first, form, None)
        if met is not None and first is second:
            yield Flaw(
                path,
                f"both ends meet at the link address {met.hex()}: nothing crosses the mesh",
                "A host outside is reached through the border router",
            )


def _is_below(flow: FlowShape) -> bool:
    return flow.routing is not None and flow.routing.mesh_under


def _is_link_local(station: StationShape) -> bool:
    if station.address is not None:
        return station.address.is_link_local
    return station.prefix is None or station.prefix.network_address.is_link_local
