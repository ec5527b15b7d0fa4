"""What stands in front of all other headers where frames are forwarded below IPv6 (RFC 4944 sections 5.2 and 11)."""

from collections.abc import Iterable, Iterator
from functools import lru_cache

from lowpanbudget.bits import StandIn, Writer
from lowpanbudget.design.flow import FIRST, Flow
from lowpanbudget.design.link import AddressForm
from lowpanbudget.fields import layout_of
from lowpanbudget.layers.lowpan import mesh
from lowpanbudget.layers.lowpan.mesh import Broadcast, Mesh


@lru_cache(maxsize=512)
def mesh_front(flow: Flow, form: AddressForm, hop: str, *, back: bool = False) -> Writer:
    """Return the mesh header of the flow's frames on this hop, with a broadcast header to a group; nothing without.

    The originator allows for the flow's hops and no more, for "the packet is not forwarded any further if Hops Left is
    decremented to zero" (section 5.2). Who forwards lowers the number where it stands, so that frames keep their length
    on all hops. ``back``: of what goes the other way.
    """
    writer = Writer()
    if not flow.mesh_under:
        return writer
    originator, final = flow.mesh_ends(form)[:: -1 if back else 1]
    left = flow.hops if hop == FIRST else flow.hops - 1
    mesh.encode(writer, Mesh(left, originator, final, deep=flow.hops >= mesh.DEEP))
    if flow.group is not None:
        layout_of(Broadcast).write(writer, Broadcast(StandIn(0)))
    return writer


def behind(front: Writer, carried: Writer) -> Writer:
    """Return what a frame carries, with ``front`` before it where there is something."""
    if not front.data:
        return carried
    both = Writer()
    both.append(front)
    both.append(carried)
    return both


def forwarded_below(flows: Iterable[Flow]) -> frozenset[str]:
    """Return the names of flows whose frames somebody passes on below IPv6."""
    return frozenset(flow.name for flow in flows if flow.mesh_under and flow.hops > 1)


def taken_of_mesh(flows: Iterable[Flow]) -> Iterator[str]:
    """Yield what is taken for granted of a network that forwards frames below IPv6."""
    if names := ", ".join(sorted(forwarded_below(flows))):
        yield (
            f"frames forwarded below IPv6 ({names}) go along the tree; what the mesh sends to find its ways is left "
            "open (RFC 4944 section 11), and is not played"
        )
