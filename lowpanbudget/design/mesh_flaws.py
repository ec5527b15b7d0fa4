"""Keys that make no sense where frames are forwarded below IPv6: what routers of IPv6 add, and both kinds together."""

from collections.abc import Iterator

from lowpanbudget.design.shape import DesignShape
from lowpanbudget.errors import plural
from lowpanbudget.payload.flaws import Flaw

# what each key adds, by who reads it on the way
_OF_RPL = {
    "form": "says in which form RPL adds something to a packet",
    "rpi": "adds RPL information, which each router reads on the way",
    "option_type": "is the type of an option for routers on the way",
    "instance": "is of RPL information, which each router reads on the way",
    "sender_rank": "is of RPL information, which each router reads on the way",
    "route": "names the routers of IPv6 on the way",
    "entry_octets": "tells apart the routers of IPv6 on the way",
    "tunnel": "puts an outer header around packets for routers on the way",
}
_ONE_HOP = (
    "In a mesh below IPv6 both ends are one IP hop apart, without routers between (RFC 6775 section 2): leave {} out, "
    "or mesh_under"
)


def mesh_flaws(shape: DesignShape) -> Iterator[Flaw]:
    """Yield each key that asks routers of IPv6 for something where none is on the way, and what is routed beside it."""
    below = [
        (index, flow, flow.routing)
        for index, flow in enumerate(shape.flow)
        if flow.routing is not None and flow.routing.mesh_under
    ]
    for index, flow, routing in below:
        for key, adds in _OF_RPL.items():
            if key in routing.given and getattr(routing, key):
                path = ("flow", index, "routing", key)
                yield Flaw(path, f"{key} {adds}, and mesh_under has none", _ONE_HOP.format(key))
        if flow.answer is not None and flow.answer.route:
            path = ("flow", index, "answer", "route")
            yield Flaw(
                path, f"route {_OF_RPL['route']}, and mesh_under has none", _ONE_HOP.format("it")
            )
    if not below:
        return
    name = below[0][1].name
    for index, flow in enumerate(shape.flow):
        if flow.hops > 1 and (flow.routing is None or not flow.routing.mesh_under):
            yield Flaw(
                ("flow", index, "hops"),
                f"{flow.name!r} goes {plural(flow.hops, 'hop')} over routers of IPv6, and {name!r} is mesh-under",
                "With mesh-under the border router is the only router of IPv6 (RFC 6606 section 3.1): set mesh_under = "
                "true in the [flow.routing] of all flows over several hops, or of none",
            )
    for key in ("dio_s", "dao_s"):
        if shape.upkeep is not None and getattr(shape.upkeep, key) is not None:
            yield Flaw(
                ("upkeep", key),
                f"routers of IPv6 send {key.removesuffix('_s').upper()}s, and {name!r} is mesh-under",
                "Leave it out: with which messages a mesh below IPv6 finds its ways is open (RFC 4944 section 11), and "
                "none are planned",
            )
